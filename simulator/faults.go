package simulator

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"hoistward/ingest"
	"hoistward/ingest/units"
)

// Fault is one thing that goes wrong. It strikes at the first moment, At or
// later, at which all that it waits for is so.
type Fault struct {
	At      time.Duration
	For     time.Duration // cured after this; 0 = stays
	Kind    string
	Value   float64 // SI, meaning by kind
	Channel ingest.Channel
	While   uint16  // wait for one of these activities, bit by Activity; 0 = any
	Above   float64 // wait for the block above this height, m; 0 = any
	Below   float64 // wait for it below; 0 = any
	Speed   float64 // wait for a block speed of at least this either way, m/s
}

// faultKind says what a kind's value is and what it does to a run.
type faultKind struct {
	dim    units.Dimension
	lo, hi float64
	sensor bool // needs a channel; the value is in the channel's own dimension
	none   bool // takes no value
	set    func(r *Run, f *Fault, on bool)
}

func factor(to func(r *Run) *float64) func(*Run, *Fault, bool) {
	return func(r *Run, f *Fault, on bool) {
		*to(r) = 1
		if on {
			*to(r) = f.Value
		}
	}
}

func amount(to func(r *Run) *float64) func(*Run, *Fault, bool) {
	return func(r *Run, f *Fault, on bool) {
		*to(r) = 0
		if on {
			*to(r) = f.Value
		}
	}
}

func flag(to func(r *Run) *bool) func(*Run, *Fault, bool) {
	return func(r *Run, _ *Fault, on bool) { *to(r) = on }
}

func lie(to func(l *lies) *float64) func(*Run, *Fault, bool) {
	return func(r *Run, f *Fault, on bool) {
		p := to(&r.in.ch[f.Channel].lies)
		*p = 0
		if on {
			*p = f.Value
		}
	}
}

const (
	number = units.Dimensionless
	second = units.Time
)

// faultKinds are all that can go wrong.
var faultKinds map[string]faultKind

func init() {
	for a := range NumActivities {
		whiles[a.String()] = 1 << a
	}
	faultKinds = map[string]faultKind{
		// drive and crown saver
		"drive_release_late":   {dim: second, lo: 0, hi: 30, set: amount(func(r *Run) *float64 { return &r.pl.drive.extraRelease })},
		"drive_stuck":          {none: true, set: flag(func(r *Run) *bool { return &r.pl.drive.stuck })},
		"drive_torque":         {dim: number, lo: 0, hi: 1, set: factor(func(r *Run) *float64 { return &r.pl.drive.limit })},
		"crown_saver_failed":   {none: true, set: func(r *Run, _ *Fault, on bool) { r.pl.saver.electricFailed, r.pl.saver.toggleFailed = on, on }},
		"crown_saver_electric": {none: true, set: flag(func(r *Run) *bool { return &r.pl.saver.electricFailed })},
		"crown_saver_toggle":   {none: true, set: flag(func(r *Run) *bool { return &r.pl.saver.toggleFailed })},
		// friction brake
		"brake_friction":  {dim: number, lo: 0, hi: 1.2, set: factor(func(r *Run) *float64 { return &r.pl.lining.factor })},
		"oil_on_disc":     {dim: number, lo: 0.1, hi: 1, set: factor(func(r *Run) *float64 { return &r.pl.lining.oil })},
		"glazed":          {dim: number, lo: 0.3, hi: 1, set: factor(func(r *Run) *float64 { return &r.pl.lining.glaze })},
		"pressure_leak":   {dim: number, lo: 0, hi: 1, set: amount(func(r *Run) *float64 { return &r.pl.brake.leak })},
		"pressure_supply": {dim: number, lo: 0, hi: 1, set: factor(func(r *Run) *float64 { return &r.pl.brake.supply })},
		"valve_slow":      {dim: number, lo: 1, hi: 20, set: factor(func(r *Run) *float64 { return &r.pl.brake.slow })},
		"knock_back":      {dim: second, lo: 0, hi: 3, set: amount(func(r *Run) *float64 { return &r.pl.lining.knock })},
		"brake_heat":      {dim: units.Temperature, lo: 250, hi: 1000, set: heatUp},
		// emergency calipers
		"emergency_set":  {none: true, set: flag(func(r *Run) *bool { return &r.pl.emerg.lost })},
		"emergency_drag": {dim: number, lo: 0, hi: 1, set: amount(func(r *Run) *float64 { return &r.pl.emerg.drag })},
		// auxiliary brake
		"auxiliary_lost":   {none: true, set: func(r *Run, _ *Fault, on bool) { r.pl.aux.factor, r.d.auxFear = 1-onOff(on), false }},
		"auxiliary_weak":   {dim: number, lo: 0, hi: 1, set: factor(func(r *Run) *float64 { return &r.pl.aux.factor })},
		"auxiliary_supply": {dim: number, lo: 0, hi: 1, set: factor(func(r *Run) *float64 { return &r.pl.aux.supply })},
		"coolant_lost":     {none: true, set: func(r *Run, _ *Fault, on bool) { r.pl.aux.cooled = !on }},
		// pipe
		"stuck_pipe": {dim: units.Force, lo: 1e3, hi: 1e7, set: amount(func(r *Run) *float64 { return &r.pl.hoisted.stuckLimit })},
		"hole_drag":  {dim: number, lo: 0, hi: 0.9, set: func(r *Run, f *Fault, on bool) { r.setDrag(f.Value, on) }},
		// driller
		"inattentive":      {dim: units.Length, lo: 0, hi: 1000, set: inattentive},
		"late_slow_down":   {dim: second, lo: 0, hi: 60, set: lateSlowDown},
		"stops_late":       {dim: second, lo: 0, hi: 5, set: amount(func(r *Run) *float64 { return &r.d.lateBy })},
		"pulls_emergency":  {none: true, set: func(r *Run, _ *Fault, on bool) { r.d.pullNow = on }},
		"lowers_too_fast":  {dim: units.Speed, lo: 0.1, hi: 5, set: tooFast},
		"no_auxiliary_use": {none: true, set: flag(func(r *Run) *bool { return &r.d.auxFear })},
		// instruments
		"frozen":       {sensor: true, none: true, set: func(r *Run, f *Fault, on bool) { r.in.ch[f.Channel].lies.frozen = on }},
		"lost":         {sensor: true, none: true, set: func(r *Run, f *Fault, on bool) { r.in.ch[f.Channel].lies.gone = on }},
		"no_value":     {sensor: true, none: true, set: func(r *Run, f *Fault, on bool) { r.in.ch[f.Channel].lies.null = on }},
		"offset":       {sensor: true, lo: math.Inf(-1), hi: math.Inf(1), set: lie(func(l *lies) *float64 { return &l.offset })},
		"drift":        {sensor: true, lo: math.Inf(-1), hi: math.Inf(1), set: lie(func(l *lies) *float64 { return &l.drift })},
		"dead_band":    {sensor: true, lo: 0, hi: math.Inf(1), set: lie(func(l *lies) *float64 { return &l.deadband })},
		"noise":        {sensor: true, lo: 0, hi: math.Inf(1), set: lie(func(l *lies) *float64 { return &l.noise })},
		"spikes":       {sensor: true, lo: math.Inf(-1), hi: math.Inf(1), set: spikes},
		"swapped_unit": {sensor: true, dim: number, lo: 1e-6, hi: 1e6, set: lie(func(l *lies) *float64 { return &l.scale })},
		"encoder_slip": {dim: number, lo: -1, hi: 1, set: amount(func(r *Run) *float64 { return &r.in.slipBy })},
		"counter_jump": {dim: number, lo: -1e12, hi: 1e12, set: func(r *Run, f *Fault, on bool) { r.in.counts0 += f.Value * onOff(on) }},
		// clock and link
		"clock_jump":    {dim: second, lo: -1e6, hi: 1e6, set: amount(func(r *Run) *float64 { return &r.clockOffset })},
		"clock_drift":   {dim: number, lo: -0.1, hi: 0.1, set: amount(func(r *Run) *float64 { return &r.clockDrift })},
		"broker_outage": {none: true, set: flag(func(r *Run) *bool { return &r.outage })},
	}
}

func onOff(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

func heatUp(r *Run, f *Fault, on bool) {
	if on {
		r.pl.heat.ring, r.pl.heat.body = f.Value, f.Value
	}
}

func inattentive(r *Run, f *Fault, on bool) {
	r.d.absent, r.d.notices, r.d.noticesIn = on, f.Value, 0
}

// lateSlowDown has him look up when, at its speed, the block has f.Value seconds
// to the crown limit, or going down to the floor limit.
func lateSlowDown(r *Run, f *Fault, on bool) {
	r.d.absent, r.d.notices, r.d.noticesIn = on, 0, f.Value
}

// whiles are what a fault can wait for: an activity, or all that raise or lower.
var whiles = map[string]uint16{
	"raising":  1<<RaisingLoaded | 1<<RaisingEmpty,
	"lowering": 1<<LoweringLoaded | 1<<LoweringEmpty,
}

func whileNames() []string {
	names := make([]string, 0, len(whiles))
	for n := range whiles {
		names = append(names, n)
	}
	sort.Strings(names)
	return names
}

func tooFast(r *Run, f *Fault, on bool) {
	if on {
		r.d.lowerLoaded = f.Value
		if p := &r.d.plan; p.moving && !p.up && p.loaded {
			p.cruise = f.Value
		}
	}
}

func spikes(r *Run, f *Fault, on bool) {
	l := &r.in.ch[f.Channel].lies
	l.spikes, l.spikeBy = 0.03*onOff(on), f.Value
}

// FaultKinds returns the names of all that can go wrong, sorted.
func FaultKinds() []string {
	names := make([]string, 0, len(faultKinds))
	for n := range faultKinds {
		names = append(names, n)
	}
	sort.Strings(names)
	return names
}

func (r *reader) fault(n *yaml.Node, where string) Fault {
	f := Fault{Channel: ingest.NumChannels}
	var value *yaml.Node
	r.fields(n, where, []field{
		{"at", r.duration(&f.At)}, {"for", r.duration(&f.For)},
		{"fault", r.text(&f.Kind)},
		{"channel", r.channel(&f.Channel)},
		{"value", func(n *yaml.Node, _ string) { value = n }},
		{"while", func(n *yaml.Node, w string) {
			var name string
			r.word(&name, whileNames()...)(n, w)
			f.While = whiles[name]
		}},
		{"above", r.quantity(&f.Above, units.Length, 0, 100)},
		{"below", r.quantity(&f.Below, units.Length, 0, 100)},
		{"speed", r.quantity(&f.Speed, units.Speed, 0, 5)},
	})
	k, ok := faultKinds[f.Kind]
	if !ok {
		r.bad(n, where+".fault", fmt.Sprintf("%q", f.Kind), "one of "+strings.Join(FaultKinds(), ", "))
		return f
	}
	if k.sensor && f.Channel == ingest.NumChannels {
		r.bad(n, where+".channel", "nothing", "the channel that "+f.Kind+" is about")
		return f
	}
	switch {
	case k.none && value != nil:
		r.bad(value, where+".value", value.Value, "no value for "+f.Kind)
	case !k.none && value == nil:
		r.bad(n, where+".value", "nothing", "a value for "+f.Kind)
	case value != nil:
		r.faultValue(value, where, &f, k)
	}
	return f
}

// faultValue reads a fault's value; a sensor's is in the dimension of its
// channel, and a temperature that is an offset is a difference in K.
func (r *reader) faultValue(n *yaml.Node, where string, f *Fault, k faultKind) {
	dim := k.dim
	if k.sensor && f.Kind != "swapped_unit" {
		dim = f.Channel.Dimension()
	}
	r.quantity(&f.Value, dim, k.lo, k.hi)(n, where+".value")
}

func (r *reader) nowAndThen(n *yaml.Node, where string, x *NowAndThen) {
	r.fields(n, where, []field{
		{"first_after", r.duration(&x.First)}, {"first_before", r.duration(&x.FirstTo)},
		{"then_after", r.duration(&x.Then)}, {"then_before", r.duration(&x.ThenTo)},
		{"one_of", func(n *yaml.Node, w string) {
			r.list(n, w, func(n *yaml.Node, w string) {
				var name string
				var fs []Fault
				r.fields(n, w, []field{
					{"trouble", r.text(&name)},
					{"faults", func(n *yaml.Node, w string) {
						r.list(n, w, func(n *yaml.Node, w string) { fs = append(fs, r.fault(n, w)) })
					}},
				})
				x.OneOf, x.Names = append(x.OneOf, fs), append(x.Names, name)
			})
		}},
	})
	if x.FirstTo < x.First || x.ThenTo < x.Then || x.Then == 0 {
		r.bad(n, where, "times that run backwards or none", "first_after ≤ first_before and 0 s < then_after ≤ then_before")
	}
}
