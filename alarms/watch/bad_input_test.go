package watch_test

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

// badInputChannels are those of a rig with everything that the alarms below rest on.
var badInputChannels = []ingest.Channel{
	ingest.HookLoad, ingest.BlockHeight, ingest.DrumSpeed, ingest.DrumCounts, ingest.BrakePressure,
	ingest.EmergencyPressure, ingest.DriveEngaged, ingest.CrownSaver, ingest.BrakeTemperature,
}

// badWays are the ways in which a channel goes bad.
var badWays = map[string]func(s *ingest.Sample, c ingest.Channel){
	"lost":         func(s *ingest.Sample, c ingest.Channel) { s.Has &^= 1 << c },
	"null":         func(s *ingest.Sample, c ingest.Channel) { s.Set(c, ingest.BadValue(ingest.Null)) },
	"out of range": func(s *ingest.Sample, c ingest.Channel) { s.Set(c, ingest.BadValue(ingest.OutOfRange)) },
}

// stands are the alarms that stand in the run below when channels go bad, with the
// channels that each cannot be judged without: any one of them gone is bad input.
var stands = map[string]uint32{
	"overhoist":           0, // by either height: bad with both gone
	"crown_limit_passed":  0,
	"overload":            1 << ingest.HookLoad,
	"brake_fade":          0, // by what was seen before
	"brake_very_hot":      0, // the reckoned heat goes on
	"brake_margin_low":    1 << ingest.HookLoad,
	"emergency_brake_set": 1 << ingest.EmergencyPressure,
	"crown_saver_tripped": 1 << ingest.CrownSaver,
}

// crisis is a run in which everything goes wrong: a lining that loses 40 %, then a load of
// 6.9 MN, over R1's rating, that goes on up at 0.3 m/s past the crown limit at 41 m on a
// brake of 900 °C with the spring calipers' pressure gone and the crown saver tripped.
type crisis struct {
	*desk
	wraps hoist.Map
}

func newCrisis(t testing.TB) *crisis {
	base, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	fitted := regexp.MustCompile(`(?s)kind: eddy_current .*full_current[^\n]*`)
	file := fitted.ReplaceAllString(string(text), "kind: none") // the brake alone holds the load
	file = strings.Replace(file, "rated_power: 2000 hp\n", "rated_power: 2000 hp\n  rated_load: 5000 kN\n", 1)
	m, err := hoist.NewMap(base)
	if err != nil {
		t.Fatal(err)
	}
	d := &desk{t: t, rig: watch.NewRig("R1", configs.OpenRig), text: file}
	var names []string
	for _, c := range badInputChannels {
		names = append(names, c.String())
	}
	d.apply(ingest.Entry{Kind: ingest.EntrySession, Session: &ingest.Session{RigFile: d.text, Channels: names}})
	return &crisis{d, m}
}

// say applies one reading 100 ms on, the channels of bad going bad.
func (c *crisis) say(h, v, load, pressure, celsius float64, trouble bool, bad uint32, way string) {
	c.at += 100 * time.Millisecond
	s := ingest.Sample{Time: epoch.Add(c.at)}
	w := c.wraps.Wraps(units.Metre(h), units.Newton(load))
	r := float64(c.wraps.Radius(w))
	release, saver := 9e6, 0.0
	if trouble {
		release, saver = 3e6, 1
	}
	for ch, x := range map[ingest.Channel]float64{
		ingest.HookLoad: load, ingest.BlockHeight: h, ingest.DrumSpeed: v * 10 / r,
		ingest.DrumCounts: math.Floor(w * 4096), ingest.BrakePressure: pressure,
		ingest.EmergencyPressure: release, ingest.DriveEngaged: 0, ingest.CrownSaver: saver,
		ingest.BrakeTemperature: celsius + 273.15,
	} {
		s.Set(ch, ingest.Number(x))
	}
	for _, ch := range badInputChannels {
		if bad&(1<<ch) != 0 {
			badWays[way](&s, ch)
		}
	}
	if s.Has == 0 { // nothing makes a message: time passes
		c.apply(ingest.Entry{Kind: ingest.EntryTick})
		return
	}
	c.apply(ingest.Entry{Kind: ingest.EntrySample, Sample: s})
}

// pressureFor is what carries a load at a health of the lining: 179.448 kN m at 7 MPa and
// a health of 1 (PHYSICS part II), 0.080088 of the load at the drum's radius.
func (c *crisis) pressureFor(h, load, health float64) float64 {
	r := float64(c.wraps.Radius(c.wraps.Wraps(units.Metre(h), units.Newton(load))))
	return 7e6 * 0.080088 * load * r / 179.448e3 / health
}

func (c *crisis) play(bad uint32, way string) (before int) {
	h := 39.0
	for k := range 7 { // applications of the brake: five sound ones, two faded
		health := 1.0
		if k >= 5 {
			health = 0.6
		}
		p := c.pressureFor(h, 1471e3, health)
		for range 30 {
			h -= 0.04
			c.say(h, -0.4, 1471e3, p, 90, false, 0, "")
		}
		for range 20 {
			c.say(h, 0, 1471e3, 7e6, 90, false, 0, "")
		}
	}
	for range 100 {
		c.say(h, 0, 1471e3, 7e6, 900, false, 0, "")
	}
	for v := 0.0; h < 40.2; h += v / 10 { // up again, and past the limit
		v = math.Min(1.2, v+0.1)
		c.say(h, v, 6.9e6, 0, 900, h > 38, 0, "")
	}
	for range 15 {
		h += 0.06
		c.say(h, 0.6, 6.9e6, 0, 900, true, 0, "")
	}
	before = len(c.journal)
	for range 60 {
		h += 0.03
		c.say(h, 0.3, 6.9e6, 0, 900, true, bad, way)
	}
	return before
}

// With eight alarms active, any one channel, any two and all go bad, in each way: none
// clears, none falls out of the list, and one that cannot be judged any more says so.
func TestNoAlarmClearsBecauseInputIsBad(t *testing.T) {
	var sets []uint32
	all := uint32(0)
	for i, a := range badInputChannels {
		all |= 1 << a
		for _, b := range badInputChannels[i:] {
			sets = append(sets, 1<<a|1<<b)
		}
	}
	for _, bad := range append(sets, all) {
		for way := range badWays {
			c := newCrisis(t)
			before := c.play(bad, way)
			why := fmt.Sprintf("%s %s", way, badNames(bad))
			for name, needs := range stands {
				s, ok := c.standing(name)
				if !ok {
					t.Fatalf("%s: %s does not stand; journal:\n%s", why, name, strings.Join(c.journal, "\n"))
				}
				if !s.Alarm.Active() {
					t.Fatalf("%s: %s is %v, want active", why, name, s.Alarm.State)
				}
				if needs&bad != 0 && !s.Alarm.InputBad {
					t.Fatalf("%s: %s does not say that its input is bad", why, name)
				}
				both := uint32(1<<ingest.BlockHeight | 1<<ingest.DrumCounts)
				if (name == "overhoist" || name == "crown_limit_passed") && bad&both == both && !s.Alarm.InputBad {
					t.Fatalf("%s: %s does not say that no height is known", why, name)
				}
			}
			for _, line := range c.journal[before:] {
				if strings.Contains(line, `"event":"cleared"`) {
					t.Errorf("%s: cleared: %s", why, line)
				}
			}
		}
	}
}

// With nothing bad the same run says of none of them that its input is.
func TestGoodInputIsNotCalledBad(t *testing.T) {
	c := newCrisis(t)
	c.play(0, "lost")
	for name := range stands {
		if s := c.must(name); s.Alarm.InputBad || s.Alarm.State != alarms.Unacknowledged {
			t.Errorf("%s: %v, input bad %v", name, s.Alarm.State, s.Alarm.InputBad)
		}
	}
}

func badNames(bad uint32) string {
	var n []string
	for _, c := range badInputChannels {
		if bad&(1<<c) != 0 {
			n = append(n, c.String())
		}
	}
	return strings.Join(n, ", ")
}
