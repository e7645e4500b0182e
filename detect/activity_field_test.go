package detect

import (
	"bufio"
	"compress/gzip"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"hoistward/configs"
	"hoistward/ingest"
)

// fieldRow is a row of the field recording (testdata/field, origin and licence beside
// it) with its activity code: WITS codes, machine-made, a second opinion.
type fieldRow struct {
	t, h, w float64 // s, m, N; NaN = no value
	code    int
}

func fieldRows(t *testing.T) []fieldRow {
	t.Helper()
	const dir = "../testdata/field/field-1hz/"
	f, err := os.Open(dir + "readings.csv.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bufio.NewReader(z)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(dir + "activity.txt")
	if err != nil {
		t.Fatal(err)
	}
	codes := strings.Fields(string(text))
	if len(codes) != len(rows) {
		t.Fatalf("%d codes for %d rows", len(codes), len(rows))
	}
	out := make([]fieldRow, len(rows))
	number := func(s string, unit float64) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		if v == -999.25 {
			return math.NaN()
		}
		return v * unit
	}
	for i, r := range rows {
		code, err := strconv.Atoi(codes[i])
		if err != nil {
			t.Fatal(err)
		}
		out[i] = fieldRow{number(r[0], 1), number(r[1], 0.3048), number(r[3], 4448.22), code}
	}
	return out
}

// watchField gives the rows to a detector and hands what it says of each to see.
func watchField(t *testing.T, see func(r *fieldRow, x *Result)) {
	t.Helper()
	text, err := os.ReadFile("../testdata/field/rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	rig, err := configs.OpenRig(text)
	if err != nil {
		t.Fatal(err)
	}
	d := New(rig, 1<<ingest.HookLoad|1<<ingest.BlockHeight)
	var frames ingest.Assembler
	start := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, r := range fieldRows(t) {
		s := ingest.Sample{Time: start.Add(time.Duration(math.Round(r.t*1e3)) * time.Millisecond)}
		for c, v := range map[ingest.Channel]float64{ingest.HookLoad: r.w, ingest.BlockHeight: r.h} {
			if math.IsNaN(v) {
				s.Set(c, ingest.BadValue(ingest.Null))
			} else {
				s.Set(c, ingest.Number(v))
			}
		}
		if f, _ := frames.Add(&s, s.Time); f != nil {
			see(&r, d.Step(f))
		}
	}
}

// Activity codes of WITS level 0, item 0107 (public item tables), and what of ours
// says the same. Slips within a stretch of drilling are a connection.
var sameAs = map[int][]Operation{
	2: {Drilling},
	3: {Connection},
	4: {Reaming},
	7: {Holding, Reaming},
	8: {TrippingIn},
	9: {TrippingOut},
}

// The agreement with the field recording's own codes, and the least that is held. The
// disagreements are explained in testdata/field/activity.md.
func TestActivityAgainstTheFieldRecording(t *testing.T) {
	agree, rows, matrix := map[int]int{}, map[int]int{}, map[int]*[numOperations]int{}
	var last Work
	watchField(t, func(r *fieldRow, x *Result) {
		w := x.Work
		last = w
		rows[r.code]++
		if matrix[r.code] == nil {
			matrix[r.code] = &[numOperations]int{}
		}
		matrix[r.code][w.Operation]++
		if slices.Contains(sameAs[r.code], w.Operation) {
			agree[r.code]++
		}
	})
	for code, n := range rows {
		var words []string
		for o, k := range matrix[code] {
			if k > 0 {
				words = append(words, fmt.Sprintf("%v %d", Operation(o), k))
			}
		}
		t.Logf("code %d, %5d rows, %5.1f %% agree: %s", code, n, 100*float64(agree[code])/float64(n), strings.Join(words, ", "))
	}
	for code, least := range map[int]float64{2: 0.94, 3: 0.88, 7: 0.85} {
		if got := float64(agree[code]) / float64(rows[code]); !(got >= least) {
			t.Errorf("code %d: %.3f of its rows agree, want at least %.2f", code, got, least)
		}
	}
	if !(last.StringWeight > 82*4448 && last.StringWeight < 88*4448) {
		t.Errorf("string weight at the end %.1f klbf, want the 85 that it hangs at", last.StringWeight/4448)
	}
}

// Nothing in the field recording is an emergency, so none may be found in it.
func TestNoEmergencyInTheFieldRecording(t *testing.T) {
	rows := 0
	watchField(t, func(r *fieldRow, x *Result) {
		rows++
		for k, f := range x.Findings {
			if f.Condition == Present && f.Urgency == Emergency {
				t.Errorf("at %.0f s: %v, %v: %.3g against %.3g %s", r.t, Kind(k), f.Cause, f.Value, f.Limit, f.Unit)
			}
		}
	})
	if rows < 10000 {
		t.Errorf("%d rows, want the whole recording", rows)
	}
}
