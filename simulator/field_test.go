package simulator

import (
	"compress/gzip"
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"hoistward/configs"
	"hoistward/ingest"
)

// track is block height and hook load at about 1 Hz.
type track struct{ t, h, w []float64 }

// fieldTrack reads the 1 Hz field recording (origin and licence beside it); −999.25 is
// no value there.
func fieldTrack(t *testing.T) (x track) {
	t.Helper()
	f, err := os.Open("../testdata/field/field-1hz/readings.csv.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(z).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		var v [4]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(r[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		x.t, x.h, x.w = append(x.t, v[0]), append(x.h, v[1]*0.3048), append(x.w, v[3]*4448.22)
	}
	return x
}

// moves finds runs of the block over 6 m or more at above 0.12 m/s, and gives mean
// and greatest speed (over 3 samples) of each: raised or lowered, light or loaded.
func (x *track) moves(light float64) map[string][2][]float64 {
	out := map[string][2][]float64{}
	v := func(i int) float64 {
		dt := x.t[i+3] - x.t[i]
		if x.h[i] < 0 || x.h[i+3] < 0 || dt < 2 || dt > 6 {
			return 0
		}
		return (x.h[i+3] - x.h[i]) / dt
	}
	for i := 0; i < len(x.h)-3; i++ {
		s := 0.0
		if math.Abs(v(i)) > 0.12 {
			s = math.Copysign(1, v(i))
		}
		if s == 0 {
			continue
		}
		a, peak := i, 0.0
		for i < len(x.h)-3 && v(i)*s > 0.12 {
			peak = max(peak, v(i)*s)
			i++
		}
		b := i + 2
		if math.Abs(x.h[b]-x.h[a]) < 6 {
			continue
		}
		load := slices.Clone(x.w[a : b+1])
		slices.Sort(load)
		name := map[bool]string{true: "up ", false: "down "}[s > 0] + map[bool]string{true: "light", false: "loaded"}[load[len(load)/2] < light]
		m := out[name]
		m[0] = append(m[0], math.Abs(x.h[b]-x.h[a])/(x.t[b]-x.t[a]))
		m[1] = append(m[1], peak)
		out[name] = m
	}
	return out
}

func median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	return s[len(s)/2]
}

// Speeds of a real crew (12 m moves on a light land rig) lie within what our
// drillers do on such a rig with such a string: the field's median, mean and
// greatest speed of a move, between our slowest and fastest moves.
func TestDrillersMoveAsInTheField(t *testing.T) {
	const light = 36 * 4448.22 // N, between light hook and early string in the recording
	rig, _, err := configs.LoadRig("../testdata/field/rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	real := fieldTrack(t)
	want := real.moves(light)
	got := map[string][2][]float64{}
	for _, story := range []string{"trip-out", "trip-in"} {
		for seed := range uint64(10) {
			s, err := LoadScenario(story)
			if err != nil {
				t.Fatal(err)
			}
			s.Duration = 6 * time.Minute
			s.Initial.StandLength, s.Initial.StringMass, s.Initial.StandMass = 12, 20e3, 250
			run, err := New(rig, s, seed)
			if err != nil {
				t.Fatal(err)
			}
			var x ingest.Sample
			var y track
			for i := 0; run.Next(&x, nil); i++ {
				if i%10 == 0 {
					y.t = append(y.t, run.Elapsed().Seconds())
					y.h = append(y.h, x.Values[ingest.BlockHeight].V)
					y.w = append(y.w, x.Values[ingest.HookLoad].V)
				}
			}
			for k, m := range y.moves(light) {
				g := got[k]
				g[0], g[1] = append(g[0], m[0]...), append(g[1], m[1]...)
				got[k] = g
			}
		}
	}
	for _, k := range []string{"up loaded", "down loaded", "up light"} {
		if len(want[k][0]) < 10 || len(got[k][0]) < 10 {
			t.Fatalf("%s: %d moves in the field, %d here", k, len(want[k][0]), len(got[k][0]))
		}
		for i, what := range []string{"mean", "greatest"} {
			w, g := median(want[k][i]), got[k][i]
			t.Logf("%s, %s speed: field median %.2f m/s, ours %.2f to %.2f, median %.2f", k, what, w, slices.Min(g), slices.Max(g), median(g))
			if !(w >= slices.Min(g) && w <= slices.Max(g)) {
				t.Errorf("%s, %s speed of a move: field %.2f m/s, ours from %.2f to %.2f", k, what, w, slices.Min(g), slices.Max(g))
			}
		}
	}
}
