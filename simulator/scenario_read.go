package simulator

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"hoistward/ingest"
	"hoistward/ingest/units"
)

// reader walks one scenario file and gathers every mistake in it.
type reader struct {
	file     string
	problems []error
}

func (r *reader) bad(n *yaml.Node, where, got, want string) {
	line := 0
	if n != nil {
		line = n.Line
	}
	r.problems = append(r.problems, fmt.Errorf("%s:%d: %s: got %s, want %s", r.file, line, where, got, want))
}

// ParseScenario reads a scenario from YAML; file is the name that errors show.
// All mistakes are reported together.
func ParseScenario(file string, text []byte) (*Scenario, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	if len(doc.Content) != 1 {
		return nil, fmt.Errorf("%s: got an empty file, want a scenario", file)
	}
	r := &reader{file: file}
	s := &Scenario{Rate: 10, Spread: 1, Step: 500 * time.Microsecond, Channels: defaultChannels}
	s.Initial = Initial{StandLength: 28, StandMass: 900, StringMass: 120e3, InSlips: true}
	s.Driller = Driller{Task: TripOut, Stands: 6}
	r.scenario(doc.Content[0], s)
	if len(r.problems) == 0 {
		r.sense(doc.Content[0], s)
	}
	if len(r.problems) > 0 {
		return nil, errors.Join(r.problems...)
	}
	return s, nil
}

type field struct {
	key  string
	read func(n *yaml.Node, where string)
}

// fields reads a mapping; a key that is not among fs is a mistake, as is one
// that comes twice.
func (r *reader) fields(n *yaml.Node, where string, fs []field) {
	if n.Kind != yaml.MappingNode {
		r.bad(n, where, "no mapping", "keys and values")
		return
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, val := n.Content[i], n.Content[i+1]
		at := strings.TrimPrefix(where+"."+key.Value, ".")
		k := slices.IndexFunc(fs, func(f field) bool { return f.key == key.Value })
		switch {
		case k < 0:
			names := make([]string, len(fs))
			for j, f := range fs {
				names[j] = f.key
			}
			sort.Strings(names)
			r.bad(key, at, "an unknown key", "one of "+strings.Join(names, ", "))
		case seen[key.Value]:
			r.bad(key, at, "the key twice", "it once")
		default:
			seen[key.Value] = true
			fs[k].read(val, at)
		}
	}
}

func (r *reader) text(to *string) func(*yaml.Node, string) {
	return func(n *yaml.Node, where string) {
		if n.Kind != yaml.ScalarNode {
			r.bad(n, where, "no text", "text")
			return
		}
		*to = strings.TrimSpace(n.Value)
	}
}

func (r *reader) yes(to *bool) func(*yaml.Node, string) {
	return func(n *yaml.Node, where string) {
		if n.Decode(to) != nil {
			r.bad(n, where, fmt.Sprintf("%q", n.Value), "true or false")
		}
	}
}

// number reads a bare number between lo and hi.
func (r *reader) number(to *float64, lo, hi float64) func(*yaml.Node, string) {
	return func(n *yaml.Node, where string) {
		var v float64
		if n.Decode(&v) != nil || !(v >= lo && v <= hi) {
			r.bad(n, where, fmt.Sprintf("%q", n.Value), fmt.Sprintf("a number from %g to %g", lo, hi))
			return
		}
		*to = v
	}
}

func (r *reader) whole(to *int, lo, hi int) func(*yaml.Node, string) {
	return func(n *yaml.Node, where string) {
		var v int
		if n.Decode(&v) != nil || v < lo || v > hi {
			r.bad(n, where, fmt.Sprintf("%q", n.Value), fmt.Sprintf("a whole number from %d to %d", lo, hi))
			return
		}
		*to = v
	}
}

// quantity reads a number with a unit, between lo and hi in SI.
func (r *reader) quantity(to *float64, dim units.Dimension, lo, hi float64) func(*yaml.Node, string) {
	return func(n *yaml.Node, where string) {
		v, err := units.Parse(n.Value, dim)
		if err != nil {
			r.problems = append(r.problems, fmt.Errorf("%s:%d: %s: %w", r.file, n.Line, where, err))
			return
		}
		if !(v >= lo && v <= hi) {
			r.bad(n, where, fmt.Sprintf("%q", n.Value), fmt.Sprintf("a %s from %g to %g in SI", dim, lo, hi))
			return
		}
		*to = v
	}
}

func (r *reader) duration(to *time.Duration) func(*yaml.Node, string) {
	return func(n *yaml.Node, where string) {
		var sec float64
		r.quantity(&sec, units.Time, 0, 1e7)(n, where)
		*to = time.Duration(math.Round(sec * 1e9))
	}
}

func (r *reader) word(to *string, words ...string) func(*yaml.Node, string) {
	return func(n *yaml.Node, where string) {
		if !slices.Contains(words, n.Value) {
			r.bad(n, where, fmt.Sprintf("%q", n.Value), "one of "+strings.Join(words, ", "))
			return
		}
		*to = n.Value
	}
}

func (r *reader) list(n *yaml.Node, where string, each func(n *yaml.Node, where string)) {
	if n.Kind != yaml.SequenceNode {
		r.bad(n, where, "no list", "a list")
		return
	}
	for i, x := range n.Content {
		each(x, fmt.Sprintf("%s[%d]", where, i))
	}
}

func (r *reader) channel(to *ingest.Channel) func(*yaml.Node, string) {
	return func(n *yaml.Node, where string) {
		c, ok := ingest.ParseChannel(n.Value)
		if !ok {
			names := make([]string, ingest.NumChannels)
			for i := range names {
				names[i] = ingest.Channel(i).String()
			}
			r.bad(n, where, fmt.Sprintf("%q", n.Value), "one of "+strings.Join(names, ", "))
			return
		}
		*to = c
	}
}

func (r *reader) scenario(n *yaml.Node, s *Scenario) {
	var step time.Duration
	r.fields(n, "", []field{
		{"name", r.text(&s.Name)},
		{"title", r.text(&s.Title)},
		{"what_happens", r.text(&s.WhatHappens)},
		{"what_should_be_seen", func(n *yaml.Node, w string) {
			r.list(n, w, func(n *yaml.Node, w string) { s.Seen = append(s.Seen, r.sight(n, w)) })
		}},
		{"duration", r.duration(&s.Duration)},
		{"rate", func(n *yaml.Node, w string) {
			var hz float64
			r.number(&hz, 0.1, 100)(n, w)
			if hz > 0 {
				s.Rate = hz
			}
		}},
		{"jitter", r.quantity(&s.Jitter, units.Time, 0, 10)},
		{"spread", r.number(&s.Spread, 0, 3)},
		{"step", r.duration(&step)},
		{"channels", func(n *yaml.Node, w string) {
			s.Channels = nil
			r.list(n, w, func(n *yaml.Node, w string) {
				var c ingest.Channel
				r.channel(&c)(n, w)
				s.Channels = append(s.Channels, c)
			})
		}},
		{"every", func(n *yaml.Node, w string) { r.every(n, w, s) }},
		{"rig", func(n *yaml.Node, w string) {
			r.fields(n, w, []field{
				{"service_brake", r.word(&s.Rig.ServiceBrake, "disc", "band")},
				{"auxiliary", r.word(&s.Rig.Auxiliary, "eddy_current", "hydrodynamic", "motor", "none")},
				{"lines", r.whole(&s.Rig.Lines, 4, 16)},
				{"lines_unknown", r.yes(&s.Rig.LinesUnknown)},
			})
		}},
		{"initial", func(n *yaml.Node, w string) { r.initial(n, w, &s.Initial) }},
		{"driller", func(n *yaml.Node, w string) { r.driller(n, w, &s.Driller) }},
		{"faults", func(n *yaml.Node, w string) {
			r.list(n, w, func(n *yaml.Node, w string) { s.Faults = append(s.Faults, r.fault(n, w)) })
		}},
		{"now_and_then", func(n *yaml.Node, w string) { r.nowAndThen(n, w, &s.NowAndThen) }},
	})
	if step > 0 {
		s.Step = step
	}
}

func (r *reader) every(n *yaml.Node, where string, s *Scenario) {
	if n.Kind != yaml.MappingNode {
		r.bad(n, where, "no mapping", "channels and whole numbers")
		return
	}
	s.Every = map[ingest.Channel]int{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		var c ingest.Channel
		var k int
		r.channel(&c)(n.Content[i], where)
		r.whole(&k, 1, 1000)(n.Content[i+1], where+"."+n.Content[i].Value)
		s.Every[c] = k
	}
}

func (r *reader) sight(n *yaml.Node, where string) (x Sight) {
	r.fields(n, where, []field{
		{"from", r.duration(&x.From)}, {"to", r.duration(&x.To)},
		{"what", r.text(&x.What)}, {"alarm", r.text(&x.Alarm)},
	})
	return x
}

func (r *reader) initial(n *yaml.Node, where string, x *Initial) {
	r.fields(n, where, []field{
		{"block_height", r.quantity(&x.BlockHeight, units.Length, 0.1, 100)},
		{"string", r.quantity(&x.StringMass, units.Mass, 0, 1e6)},
		{"stand_mass", r.quantity(&x.StandMass, units.Mass, 0, 1e5)},
		{"stand_length", r.quantity(&x.StandLength, units.Length, 3, 45)},
		{"latched", r.yes(&x.Latched)},
		{"in_slips", r.yes(&x.InSlips)},
		{"brake_temperature", r.quantity(&x.BrakeTemp, units.Temperature, 220, 1100)},
		{"ambient", r.quantity(&x.Ambient, units.Temperature, 220, 340)},
		{"counts", func(n *yaml.Node, w string) { x.HasCounts = true; r.number(&x.Counts, 0, 1<<53)(n, w) }},
	})
}

func (r *reader) driller(n *yaml.Node, where string, x *Driller) {
	speed := func(to *float64) func(*yaml.Node, string) { return r.quantity(to, units.Speed, 1e-4, 5) }
	var task string
	r.fields(n, where, []field{
		{"task", r.word(&task, taskNames[:]...)},
		{"begin", r.word(&x.Begin, beginNames()...)},
		{"wait", r.quantity(&x.Wait, units.Time, 0, 3600)},
		{"stands", r.whole(&x.Stands, 1, 1000)},
		{"raise_loaded", speed(&x.RaiseLoaded)}, {"raise_empty", speed(&x.RaiseEmpty)},
		{"lower_loaded", speed(&x.LowerLoaded)}, {"lower_empty", speed(&x.LowerEmpty)},
		{"creep", speed(&x.Creep)},
		{"bottom", r.quantity(&x.Bottom, units.Length, 0.2, 100)},
		{"top", r.quantity(&x.Top, units.Length, 0.2, 100)},
		{"reaction", r.quantity(&x.Reaction, units.Time, 0, 0.6)},
		{"surprise", r.quantity(&x.Surprise, units.Time, 0.1, 60)},
		{"pace", r.number(&x.Pace, 0.1, 20)},
		{"penetration", speed(&x.Penetration)},
		{"slip_turns", r.number(&x.SlipTurns, 0.1, 100)},
	})
	if i := slices.Index(taskNames[:], task); i >= 0 {
		x.Task = Task(i)
	}
}

// sense looks for what each value alone does not show.
func (r *reader) sense(n *yaml.Node, s *Scenario) {
	if s.Name+".yaml" != r.file {
		r.bad(n, "name", fmt.Sprintf("%q", s.Name), "the name of the file, "+strings.TrimSuffix(r.file, ".yaml"))
	}
	if s.Title == "" || s.WhatHappens == "" || len(s.Seen) == 0 {
		r.bad(n, "title, what_happens, what_should_be_seen", "nothing", "all three")
	}
	if s.Driller.Task == Drill && s.Driller.Penetration == 0 {
		r.bad(n, "driller.penetration", "nothing", `a speed such as "20 mm/s" written "0.02 m/s"`)
	}
	if s.Driller.Task == SlipCut && s.Driller.SlipTurns == 0 {
		r.bad(n, "driller.slip_turns", "nothing", "turns of the drum, such as 6.25")
	}
	if s.Step < 50*time.Microsecond || s.Step > time.Millisecond {
		r.bad(n, "step", s.Step.String(), "50 us to 1 ms")
	}
	if period := time.Duration(1e9 / s.Rate); period%s.Step > time.Microsecond {
		r.bad(n, "rate", fmt.Sprintf("%g", s.Rate), "a rate whose period is a whole number of steps of "+s.Step.String())
	}
	if s.Duration > 0 {
		for i, f := range s.Faults {
			if f.At > s.Duration {
				r.bad(n, fmt.Sprintf("faults[%d].at", i), f.At.String(), "a time within the duration "+s.Duration.String())
			}
		}
		for i, v := range s.Seen {
			if v.From > s.Duration || (v.To > 0 && v.To < v.From) {
				r.bad(n, fmt.Sprintf("what_should_be_seen[%d]", i), v.From.String()+" to "+v.To.String(), "a span within the duration")
			}
		}
	}
}
