package item

import (
	"testing"
	"time"

	"hoistward/ingest/units"
)

func TestZoneText(t *testing.T) {
	for text, want := range map[string]time.Duration{"+05:30": 330 * time.Minute, "-06:00": -6 * time.Hour, "+00:00": 0, "Z": 0, "-03:30": -210 * time.Minute} {
		got, ok := ParseZone(text)
		if !ok || got != want {
			t.Errorf("%s: got %v, %v, want %v", text, got, ok, want)
		}
		if back := FormatZone(got); text != "Z" && back != text {
			t.Errorf("%s: got %s back", text, back)
		}
	}
	for _, text := range []string{"", "5", "05:30", "+5:30", "+15:00", "+05:60", "+0530", "UTC", "+05-30", "x05:30"} {
		if _, ok := ParseZone(text); ok {
			t.Errorf("%q was taken for a zone", text)
		}
	}
}

// The two systems: every standard unit is known and of its dimension, and a metric
// hook load is ten kilonewton.
func TestStandardUnits(t *testing.T) {
	for d, names := range standard {
		for _, s := range []System{Metric, FPS} {
			if u, ok := units.Lookup(names[s]); !ok || u.Dimension != d {
				t.Errorf("%s in %s: got %q, which is no unit of it", d, s, names[s])
			}
		}
	}
	for _, symbol := range american {
		if _, ok := units.Lookup(symbol); !ok {
			t.Errorf("%q is no unit", symbol)
		}
	}
	metric, fps := StandardUnits("0114", units.Force)
	if metric != "kdaN" || fps != "klbf" {
		t.Errorf("0114: got %q and %q", metric, fps)
	}
	if u, _ := units.Lookup(metric); u.Factor != 10e3 {
		t.Errorf("1 kdaN is %v N, want 10 kN", u.Factor)
	}
	if metric, fps = StandardUnits("0160", units.Force); metric != "" || fps != "" {
		t.Errorf("an item of the sender's own: got %q and %q", metric, fps)
	}
}
