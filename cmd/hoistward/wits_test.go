package main

import (
	"bufio"
	"compress/gzip"
	"fmt"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/fieldcsv"
	"hoistward/ingest/record"
)

const fieldFolder = "../../testdata/field"

// witsRun is a monitor of one WITS source whose clock the test sets, so that a
// recording of hours goes through it as fast as it can.
type witsRun struct {
	t      *testing.T
	dir    string
	st     *station
	now    atomic.Int64 // our clock, ns
	newest atomic.Int64 // receipt of the newest sample that was applied
	wake   chan struct{}
	undo   undo
}

func startWITS(t *testing.T, site string) *witsRun {
	t.Helper()
	r := &witsRun{t: t, dir: t.TempDir(), wake: make(chan struct{}, 1)}
	path := filepath.Join(r.dir, "site.yaml")
	if err := os.WriteFile(path, []byte(site), 0o644); err != nil {
		t.Fatal(err)
	}
	s, err := configs.LoadSite(path)
	if err != nil {
		t.Fatal(err)
	}
	r.now.Store(time.Date(2026, 11, 24, 2, 0, 0, 0, time.UTC).UnixNano())
	r.st = &station{
		site: s, log: zap.NewNop(),
		clock: func() time.Time { return time.Unix(0, r.now.Load()).UTC() },
		onEvent: func(w *watch.Rig, _ *watch.Outcome) {
			r.newest.Store(w.Newest().UnixNano())
			select {
			case r.wake <- struct{}{}:
			default:
			}
		},
	}
	if err := r.st.start(&r.undo); err != nil {
		t.Fatal(err)
	}
	return r
}

func (r *witsRun) stop() {
	r.t.Helper()
	if err := r.undo.stop(); err != nil {
		r.t.Fatal(err)
	}
}

// dial connects to the first source, which listens.
func (r *witsRun) dial() net.Conn {
	r.t.Helper()
	source := r.st.sources[0].feed.(witsFeed).source
	until(r.t, "the source listens", func() bool { return source.Addr() != nil })
	c, err := net.Dial("tcp", source.Addr().String())
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { c.Close() })
	return c
}

// at sets the clock.
func (r *witsRun) at(t time.Time) { r.now.Store(max(t.UnixNano(), r.now.Load())) }

// applied waits until a sample received at the present time has been applied.
func (r *witsRun) applied() {
	for r.newest.Load() != r.now.Load() {
		select {
		case <-r.wake:
		case <-time.After(30 * time.Second):
			r.t.Fatalf("waited 30 s for a sample of %v; newest %v", r.st.clock(), time.Unix(0, r.newest.Load()).UTC())
		}
	}
}

// fieldRows reads the rows of the field recording as they stand.
func fieldRows(t *testing.T) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join(fieldFolder, "field-1hz", "readings.csv.gz"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	var rows [][]string
	lines := bufio.NewScanner(z)
	for lines.Scan() {
		rows = append(rows, strings.Split(lines.Text(), ","))
	}
	if err := lines.Err(); err != nil || len(rows) < 50_000 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	return rows
}

// repeated returns 1 for a row that bears the stamp of the one before.
func repeated(rows [][]string, i int) uint64 {
	if i > 0 && rows[i][0] == rows[i-1][0] {
		return 1
	}
	return 0
}

// witsFrame writes a row as a sender of record 01 would: items of ours and of
// others, and the sender's own stamp, which is not read here.
func witsFrame(row []string) string {
	return fmt.Sprintf("&&\r\n0101FIELD!!1&&\r\n0105261124\r\n0106120000\r\n0112%s\r\n0114%s\r\n0120%s\r\n0121%s\r\n0118%s\r\n!!\r\n", row[1], row[3], row[4], row[7], row[8])
}

// The field recording sent as WITS 0 by a socket, through the monitor to its own
// recording: the readings are those that an import of the file gives, value for
// value and time for time, and nothing in it is taken for an emergency.
func TestFieldRecordingAsWITS(t *testing.T) {
	rig, err := filepath.Abs(filepath.Join(fieldFolder, "rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	r := startWITS(t, `
site: field
listen: 127.0.0.1:0
data: data
rigs: [{file: "`+rig+`"}]
sources:
  - name: sender
    kind: wits
    listen: 127.0.0.1:0
    rig: field-1hz
    time: {clock: receipt}
    channels:
      block_height: {field: "0112", unit: ft, null: [-999.25]}
      hook_load: {field: "0114", unit: klbf, null: [-999.25]}
`)
	c := r.dial()
	base := r.st.clock()
	rows := fieldRows(t)
	repeats := uint64(0)
	for i, row := range rows {
		if i%1000 == 0 { // no rig sends so fast: the recorder is waited for
			if err := r.st.recorder.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		seconds, err := time.ParseDuration(row[0] + "s")
		if err != nil {
			t.Fatal(err)
		}
		r.at(base.Add(seconds))
		if _, err := c.Write([]byte(witsFrame(row))); err != nil {
			t.Fatal(err)
		}
		if repeats += repeated(rows, i); repeated(rows, i) == 0 {
			r.applied()
			continue
		}
		until(t, "the row with the stamp of the one before", func() bool {
			return r.st.counters.Total("field-1hz", ingest.RejectRepeatedTime) == repeats
		})
	}
	until(t, "the last frame", func() bool { return r.st.sources[0].feed.Stats().Received == uint64(len(rows)) })
	if n := r.st.counters.Snapshot(); len(n) > 0 {
		for _, line := range n {
			if line.Reason != ingest.RejectNull && line.Reason != ingest.RejectRepeatedTime {
				t.Errorf("rejected: %+v", line)
			}
		}
	}
	r.stop()
	compareToImport(t, filepath.Join(r.dir, "data"), base)
	journal := readFile(t, filepath.Join(r.dir, "data", journalFile))
	for _, word := range []string{"overhoist", "crown_limit_passed", "emergency"} {
		if strings.Contains(journal, word) {
			t.Errorf("the journal speaks of %s", word)
		}
	}
	if !strings.Contains(journal, "the source says: no value") {
		t.Error("the spells of -999.25 are not in the journal")
	}
}

// compareToImport holds the recorded samples against those of the file.
func compareToImport(t *testing.T, data string, base time.Time) {
	t.Helper()
	var columns []fieldcsv.Column
	for _, text := range []string{"1=time[s]", "2=block_height[ft]", "4=hook_load[klbf]"} {
		c, err := fieldcsv.ParseColumn(text)
		if err != nil {
			t.Fatal(err)
		}
		columns = append(columns, c)
	}
	file, err := fieldcsv.Open(filepath.Join(fieldFolder, "field-1hz", "readings.csv.gz"), fieldcsv.Options{Columns: columns, Nulls: []float64{-999.25}})
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	n, nulls := 0, 0
	for e, err := range record.Read(filepath.Join(data, recordingsDir)) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Kind != ingest.EntrySample {
			continue
		}
		want, err := file.Next()
		if err != nil {
			t.Fatalf("sample %d: the file has no more: %v", n, err)
		}
		n++
		if at := base.Add(want.Time.Sub(time.Unix(0, 0))); !e.Sample.Time.Equal(at) || !e.Received.Equal(at) {
			t.Fatalf("sample %d: stamped %v, received %v, want %v", n, e.Sample.Time, e.Received, at)
		}
		for _, ch := range []ingest.Channel{ingest.BlockHeight, ingest.HookLoad} {
			got, want := e.Sample.Values[ch], want.Values[ch]
			if got.Quality != want.Quality || got.Reason != want.Reason || !(math.Abs(got.V-want.V) <= 1e-12*math.Abs(want.V)) {
				t.Fatalf("sample %d, %s: got %+v, want %+v", n, ch, got, want)
			}
			if got.Reason == ingest.Null {
				nulls++
			}
		}
	}
	if n != 50_000 || nulls != 2*(129+1329) {
		t.Errorf("compared %d samples with %d nulls, want 50000 with %d", n, nulls, 2*(129+1329))
	}
}
