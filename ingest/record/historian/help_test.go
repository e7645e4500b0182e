package historian

import (
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
	"go.uber.org/goleak"

	"hoistward/ingest"
	"hoistward/ingest/record"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv("HISTORIAN_TEST_DIR"); dir != "" {
		forwardUntilKilled(dir, os.Getenv("HISTORIAN_TEST_URL"))
	}
	goleak.VerifyTestMain(m, goleak.IgnoreTopFunction("database/sql.(*DB).connectionOpener"))
}

var noon = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

// value is one value at the server: measurement, tags, field and time say which.
type value struct {
	series string // "hoist,rig=R1 hook_load"
	ns     int64
}

// table is what a server has, or should have.
type table map[value]float64

// store is a historian that keeps lines as InfluxDB does: the last of the same
// series and time stands. Its reader is the module's decoder, not the writer's code.
type store struct {
	mu       sync.Mutex
	values   table
	texts    map[value]string
	requests int
	lines    int
	answer   func(w http.ResponseWriter, r *http.Request, lines []string) bool // true = it has answered
	server   *httptest.Server
	faults   []string
}

func newStore(t testing.TB) *store {
	s := &store{values: table{}, texts: map[value]string{}}
	s.server = httptest.NewServer(s)
	t.Cleanup(func() {
		s.server.CloseClientConnections()
		s.server.Close()
		s.mu.Lock()
		defer s.mu.Unlock()
		for _, f := range s.faults {
			t.Error(f)
		}
	})
	return s
}

func (s *store) setAnswer(f func(w http.ResponseWriter, r *http.Request, lines []string) bool) {
	s.mu.Lock()
	s.answer = f
	s.mu.Unlock()
}

func (s *store) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := bodyOf(r)
	s.mu.Lock()
	s.requests++
	answer := s.answer
	if r.URL.Path != "/api/v2/write" || r.URL.Query().Get("precision") != "ns" {
		s.faults = append(s.faults, fmt.Sprintf("got %s, want /api/v2/write in ns", r.URL))
	}
	s.mu.Unlock()
	if err != nil { // the sender has given up
		http.Error(w, err.Error(), http.StatusRequestTimeout)
		return
	}
	lines := strings.Split(strings.TrimSpace(string(body)), "\n")
	if answer != nil && answer(w, r, lines) {
		return
	}
	if err := s.take(body); err != nil {
		http.Error(w, "unable to parse: "+err.Error(), http.StatusBadRequest)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

func bodyOf(r *http.Request) ([]byte, error) {
	z, err := gzip.NewReader(r.Body)
	if err != nil {
		return nil, err
	}
	return io.ReadAll(z)
}

func (s *store) take(body []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	d := lineprotocol.NewDecoderWithBytes(body)
	for d.Next() {
		s.lines++
		m, err := d.Measurement()
		if err != nil {
			return err
		}
		series := string(m)
		for {
			k, v, err := d.NextTag()
			if err != nil {
				return err
			}
			if k == nil {
				break
			}
			series += fmt.Sprintf(",%s=%s", k, v)
		}
		type kv struct {
			k string
			v lineprotocol.Value
		}
		var fields []kv
		for {
			k, v, err := d.NextField()
			if err != nil {
				return err
			}
			if k == nil {
				break
			}
			fields = append(fields, kv{string(k), v})
		}
		at, err := d.Time(lineprotocol.Nanosecond, time.Time{})
		if err != nil {
			return err
		}
		for _, f := range fields {
			id := value{series + " " + f.k, at.UnixNano()}
			switch f.v.Kind() {
			case lineprotocol.Float:
				s.values[id] = f.v.FloatV()
			case lineprotocol.String:
				s.texts[id] = f.v.StringV()
			default:
				s.faults = append(s.faults, fmt.Sprintf("got field %s of kind %s, want a float or a string", f.k, f.v.Kind()))
			}
		}
	}
	return nil
}

func (s *store) snapshot() table {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := table{}
	for k, v := range s.values {
		all[k] = v
	}
	return all
}

func (s *store) counts() (requests, values int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.requests, len(s.values)
}

// reading is reading n of a rig, its numbers and gaps told by n alone.
func reading1(rig string, n int, at time.Time) ingest.Entry {
	e := ingest.Entry{Rig: rig, Kind: ingest.EntrySample, Received: at.Add(3 * time.Millisecond)}
	e.Sample.Time = at.Add(time.Duration(n%977) * time.Nanosecond)
	e.Sample.Set(ingest.HookLoad, ingest.Number(1.2e6+1e4*math.Sin(float64(n)/7)))
	e.Sample.Set(ingest.BlockHeight, ingest.Number(float64(n%40))) // whole numbers stay floats
	switch n % 10 {
	case 3:
		e.Sample.Set(ingest.DrumSpeed, ingest.BadValue(ingest.Null))
	case 7:
		e.Sample.Set(ingest.DrumSpeed, ingest.Value{V: math.NaN()}) // no number, and no reason
	default:
		e.Sample.Set(ingest.DrumSpeed, ingest.Number(-float64(n)/3))
	}
	return e
}

// wanted is what the server should have of readings, worked out beside the
// forwarder's own way.
func wanted(all ...ingest.Entry) table {
	w := table{}
	for i := range all {
		e := &all[i]
		if e.Kind != ingest.EntrySample {
			continue
		}
		for c := range ingest.NumChannels {
			if e.Sample.Has>>c&1 == 0 {
				continue
			}
			id := value{"hoist,rig=" + e.Rig + " " + c.String(), e.Sample.Time.UnixNano()}
			v := e.Sample.Values[c]
			if v.Quality == ingest.Good {
				w[id] = v.V
				continue
			}
			w[value{id.series + "_quality", id.ns}] = 0
			w[value{id.series + "_reason", id.ns}] = float64(v.Reason)
		}
	}
	return w
}

// recordAll writes entries, numbered from first, in a recorder of its own.
func recordAll(t testing.TB, dir string, first uint64, all ...ingest.Entry) {
	t.Helper()
	r, err := record.Open(dir, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i, e := range all {
		e.Seq = first + uint64(i)
		if err := r.Put(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	if s := r.Status(); s.LastError != "" {
		t.Fatal(s.LastError)
	}
}

func readings(rig string, from, n int, every time.Duration) []ingest.Entry {
	var all []ingest.Entry
	for i := range n {
		all = append(all, reading1(rig, from+i, noon.Add(time.Duration(from+i)*every)))
	}
	return all
}

func options(t testing.TB, dir, url string) Options {
	return Options{
		URL: url, Org: "northfell", Bucket: "hoist",
		Recordings: filepath.Join(dir, "recordings"), State: filepath.Join(dir, "historian"),
		Clock:    func() time.Time { return noon.Add(24 * time.Hour) },
		Interval: time.Millisecond, Timeout: 2 * time.Second, Batch: 500, Rate: 1e9,
		RetryMin: time.Millisecond, RetryMax: 10 * time.Millisecond,
	}
}

func start(t testing.TB, o Options) *Forwarder {
	t.Helper()
	f, err := Open(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(t, f) })
	return f
}

func stop(t testing.TB, f *Forwarder) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := f.Close(ctx); err != nil {
		t.Fatal(err)
	}
}

func eventually(t testing.TB, what string, done func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); !done(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("not in two minutes: %s", what)
		}
	}
}

// compare checks every value, to the bit where tolerance is 0.
func compare(t testing.TB, got, want table, tolerance float64) {
	t.Helper()
	faults := 0
	fault := func(format string, args ...any) {
		if faults++; faults <= 10 {
			t.Errorf(format, args...)
		}
	}
	for id, w := range want {
		g, ok := got[id]
		if !ok {
			fault("%s at %d: missing", id.series, id.ns)
		} else if !(math.Abs(g-w) <= tolerance*math.Abs(w)) { // inverted so NaN fails
			fault("%s at %d: got %v, want %v", id.series, id.ns, g, w)
		}
	}
	for id := range got {
		if _, ok := want[id]; !ok {
			fault("%s at %d: not wanted", id.series, id.ns)
		}
	}
	if faults > 0 {
		t.Errorf("%d faults in %d values, want %d values", faults, len(got), len(want))
	}
}

func refusedLines(t testing.TB, o Options) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(o.State, refusedFile))
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	return string(b)
}
