package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"hoistward/ingest"
	"hoistward/ingest/npmtest"
	"hoistward/ingest/record"
)

// command runs a command of the program and returns what it printed.
func command(t *testing.T, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(args, &streams{ctx: t.Context(), out: &out, err: &errs}); code != exitGood {
		t.Fatalf("%v: exit %d: %s", args, code, &errs)
	}
	return out.String()
}

// foreign is what a program that is not ours says of a table.
type foreign struct {
	Columns []struct{ Name, Type string }
	Codecs  []string
	Count   int
	First   map[string]any
	Last    map[string]any
	Span    struct{ A, B string }
	Sums    map[string]float64
}

func readForeign(t *testing.T, dir, reader, path string) foreign {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), needTool(t, "node"), "read.js", reader, path)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	var f foreign
	if err == nil {
		err = json.Unmarshal(out, &f)
	}
	if err != nil {
		t.Fatalf("%s of %s: %v: %s", reader, path, err, out)
	}
	return f
}

// heads lists columns as "name type".
func (f foreign) heads() string {
	var b strings.Builder
	for _, c := range f.Columns {
		fmt.Fprintf(&b, "%s %s\n", c.Name, c.Type)
	}
	return b.String()
}

// Tables are opened by hyparquet and DuckDB without being told anything, with the
// numbers of the recording in them.
func TestExportedTablesAreReadByOthers(t *testing.T) {
	packages := npmtest.Folder(t, filepath.Join("..", "..", "ingest", "tables", "testdata", "npm"), "read.js")
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	command(t, "demo", "--scenario", "overhoist", "--for", "15s", "--speed", "10", "--rigs", "2", "--data", data, "--listen", "127.0.0.1:0")
	readings, estimates := filepath.Join(dir, "r.parquet"), filepath.Join(dir, "e.parquet")
	table, answers := filepath.Join(dir, "r.csv"), filepath.Join(dir, "e.csv")
	command(t, "export", data, "--out", readings)
	command(t, "export", data, "--out", estimates, "--estimates")
	command(t, "export", data, "--out", table, "--only", "R1")
	command(t, "export", data, "--out", answers, "--only", "R1", "--estimates")

	n, load, first, last := 0, 0.0, ingest.Entry{}, ingest.Entry{}
	for _, rig := range []string{"R1", "R2"} {
		for e, err := range record.Read(filepath.Join(data, recordingsDir, rig)) {
			if err != nil {
				t.Fatal(err)
			}
			if e.Kind != ingest.EntrySample {
				continue
			}
			if x, ok := e.Sample.Values[ingest.HookLoad].Float(); ok {
				load += x / 1000
			}
			if n++; n == 1 {
				first = e
			}
			last = e
		}
	}
	h := readForeign(t, packages, "hyparquet", readings)
	if !strings.HasPrefix(h.heads(), "rig BYTE_ARRAY\ntime timestamp NANOS UTC\nhook_load[kN] DOUBLE\nblock_height[m] DOUBLE\n") {
		t.Errorf("got the columns\n%s", h.heads())
	}
	if len(h.Codecs) != 1 || h.Codecs[0] != "ZSTD" || h.Count != n {
		t.Errorf("got codecs %v and %d rows, want ZSTD and %d", h.Codecs, h.Count, n)
	}
	for _, c := range []struct {
		got  map[string]any
		want ingest.Entry
	}{{h.First, first}, {h.Last, last}} {
		if c.got["rig"] != c.want.Rig || c.got["time"] != strconv.FormatInt(c.want.Sample.Time.UnixNano(), 10) ||
			c.got["block_height[m]"] != c.want.Sample.Values[ingest.BlockHeight].V {
			t.Errorf("got the row %v, want %+v", c.got, c.want)
		}
	}
	d := readForeign(t, packages, "duckdb", readings)
	if !strings.HasPrefix(d.heads(), "rig VARCHAR\ntime TIMESTAMP WITH TIME ZONE\nhook_load[kN] DOUBLE\n") {
		t.Errorf("got the columns\n%s", d.heads())
	}
	if d.Count != n || !(math.Abs(d.Sums["hook_load[kN]"]-load) <= 1e-9*math.Abs(load)) {
		t.Errorf("DuckDB: got %d rows and a sum of hook loads of %v kN, want %d and %v", d.Count, d.Sums["hook_load[kN]"], n, load)
	}
	d = readForeign(t, packages, "duckdb", table)
	if !strings.HasPrefix(d.heads(), "time TIMESTAMP WITH TIME ZONE\nhook_load[kN] DOUBLE\n") ||
		d.Span.A != first.Sample.Time.Format("2006-01-02 15:04:05.999+00") {
		t.Errorf("got the columns\n%s and the span %v, want its beginning at %s", d.heads(), d.Span, first.Sample.Time)
	}
	e, a := readForeign(t, packages, "duckdb", estimates), readForeign(t, packages, "duckdb", answers)
	if !strings.Contains(e.heads(), "\nseconds_to_act DOUBLE\n") || !strings.Contains(e.heads(), "\nactivity VARCHAR\nheight_m DOUBLE\n") ||
		!strings.HasPrefix(a.heads(), "time TIMESTAMP WITH TIME ZONE\nactivity VARCHAR\nheight_m DOUBLE\n") {
		t.Errorf("got the columns of estimates\n%s and\n%s", e.heads(), a.heads())
	}
	if lines := strings.Count(readFile(t, answers), "\n") - 1; a.Count != lines || lines < 3 || e.Count < lines+3 {
		t.Errorf("got %d estimates of R1 of %d in the file, and %d of both rigs", a.Count, lines, e.Count)
	}
}

// Line protocol goes out and comes in again; a plain copy replays as the recording.
func TestExportedLinesAndCopies(t *testing.T) {
	dir := t.TempDir()
	data, again, copied := filepath.Join(dir, "a"), filepath.Join(dir, "b"), filepath.Join(dir, "copy")
	command(t, "simulate", "overhoist", "--for", "20s", "--out", data)
	lines := filepath.Join(dir, "a.lp")
	command(t, "export", data, "--out", lines)
	command(t, "import", lines, "--out", again, "--rig", "R1", "--column", "hook_load[kN]=hook_load[kN]",
		"--column", "block_height[m]=block_height[m]", "--column", "drum_speed[rpm]=drum_speed[rpm]")
	one, two := filepath.Join(dir, "a.csv"), filepath.Join(dir, "b.csv")
	command(t, "export", data, "--out", one)
	command(t, "export", again, "--out", two)
	a, b := strings.Split(readFile(t, one), "\n"), strings.Split(readFile(t, two), "\n")
	if len(a) < 150 || len(a) != len(b) {
		t.Fatalf("got %d lines again, want %d", len(b), len(a))
	}
	for i := range a {
		a[i] = strings.ReplaceAll(a[i], ",-0,", ",0,") // a mapping adds a shift of 0, which takes the sign of zero
		if w, g := strings.Split(a[i], ","), strings.Split(b[i], ","); strings.Join(w[:min(4, len(w))], ",") != strings.Join(g, ",") {
			t.Fatalf("line %d: got %q, want the first columns of %q", i+1, b[i], a[i])
		}
	}
	command(t, "export", data, "--copy", copied)
	if got, want := command(t, "replay", copied), command(t, "replay", data); got != want || got == "" {
		t.Errorf("the copy replays as\n%s, the recording as\n%s", got, want)
	}
}
