package payload

import (
	"testing"
	"time"

	"hoistward/ingest"
	"hoistward/ingest/units"
)

var noon = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

const typical = `{"t":"2026-11-24T12:00:00.100Z","hook_load":1471.0,"block_height":18.25,"drum_speed":42.5,"brake_pressure":0.35,"drive_engaged":true}`

// fieldUnits is a mapping in the units of the trade, with the limits of a big rig.
func fieldUnits(t testing.TB) *ingest.Mapping {
	m := ingest.OwnForm()
	for c, u := range map[ingest.Channel]string{
		ingest.HookLoad: "kN", ingest.DrumSpeed: "rpm", ingest.BrakePressure: "MPa",
	} {
		var ok bool
		if m.Channels[c].Unit, ok = units.Lookup(u); !ok {
			t.Fatalf("no unit %q", u)
		}
	}
	m.Channels[ingest.HookLoad].Low, m.Channels[ingest.HookLoad].High = -50e3, 5e6
	m.Channels[ingest.HookLoad].Nulls = []float64{-999.25}
	m.Channels[ingest.BlockHeight].Low, m.Channels[ingest.BlockHeight].High = -5, 1500
	m.Channels[ingest.BlockHeight].Nulls = []float64{-999.25, -9999}
	return &m
}

func BenchmarkDecode(b *testing.B) {
	d, err := NewJSON(fieldUnits(b))
	if err != nil {
		b.Fatal(err)
	}
	data := []byte(typical)
	n := 0
	emit := func(*ingest.Sample) { n++ }
	reject := func(r ingest.Reject, s string) { b.Fatal(r, s) }
	b.ReportAllocs()
	for b.Loop() {
		d.Decode(data, noon, emit, reject)
	}
	if n == 0 {
		b.Fatal("no sample")
	}
}
