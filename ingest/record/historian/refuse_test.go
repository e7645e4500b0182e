package historian

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"

	"hoistward/ingest"
)

// Each answer comes to the first requests; then the server is well. What is no
// fault of the points loses none of them.
func TestTroubleIsWaitedOut(t *testing.T) {
	all := readings("R1", 0, 700, time.Second)
	status := func(code int, body string) func(http.ResponseWriter, *http.Request) {
		return func(w http.ResponseWriter, _ *http.Request) { http.Error(w, body, code) }
	}
	for _, c := range []struct {
		name, state, words string
		answer             func(http.ResponseWriter, *http.Request)
	}{
		{"401", "refused", "401 Unauthorized: unauthorized access (the token or password is not accepted)", status(401, "unauthorized access")},
		{"403", "refused", "may not write to this bucket", status(403, "write forbidden")},
		{"404 in JSON", "refused", `404 Not Found: bucket "hoist" not found (there is no such bucket`, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "application/json; charset=utf-8")
			w.WriteHeader(404)
			fmt.Fprint(w, `{"code":"not found","message":"bucket \"hoist\" not found"}`)
		}},
		{"404 of InfluxDB 1.8", "refused", "database not found", func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "application/json")
			w.Header().Set("X-Influxdb-Error", `database not found: "hoist"`)
			w.WriteHeader(404)
			fmt.Fprint(w, `{"error":"database not found: \"hoist\""}`)
		}},
		{"400 for everything", "refused", "refuses every point, and not for a fault of the points: invalid bucket name", status(400, "invalid bucket name")},
		{"405", "refused", "405 Method Not Allowed", status(405, "")},
		{"429", "waiting", "takes no more for now", status(429, "")},
		{"500", "waiting", "500 Internal Server Error: engine: panic", status(500, "engine: panic")},
		{"503 in HTML", "waiting", "503 Service Unavailable: <html>", status(503, "<html>")},
		{"redirect", "refused", "302 Found", func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, "/login", http.StatusFound) }},
		{"a page with 200", "refused", "another program answers at this address", status(200, "<html>welcome</html>")},
		{"cut off", "waiting", "no answer from the historian", func(w http.ResponseWriter, _ *http.Request) { panic(http.ErrAbortHandler) }},
		{"a JSON error cut short", "waiting", "503", func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "application/json")
			w.WriteHeader(503)
			fmt.Fprint(w, `{"message":`)
		}},
		{"stalls", "waiting", "no answer from the historian", func(w http.ResponseWriter, r *http.Request) { <-r.Context().Done() }},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := newStore(t)
			s.setAnswer(func(w http.ResponseWriter, r *http.Request, _ []string) bool { c.answer(w, r); return true })
			o := options(t, t.TempDir(), s.server.URL)
			if c.name == "stalls" {
				o.Timeout = 200 * time.Millisecond
			}
			recordAll(t, o.Recordings, 1, all...)
			f := start(t, o)
			eventually(t, "it is told", func() bool {
				st := f.Status()
				return st.State == c.state && strings.Contains(st.Error, c.words) && st.Behind > time.Hour
			})
			if r := refusedLines(t, o); r != "" {
				t.Errorf("put aside: %.200s", r)
			}
			s.setAnswer(nil)
			eventually(t, "all is there", func() bool { st := f.Status(); return st.State == "forwarding" && st.Behind == 0 })
			stop(t, f)
			compare(t, s.snapshot(), wanted(all...), 0)
		})
	}
}

// What the server asks to wait is waited, of both forms (RFC 9110, section 10.2.3).
func TestRetryAfter(t *testing.T) {
	now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	for text, want := range map[string]time.Duration{
		"": 0, "120": 2 * time.Minute, "0": 0, "-5": 0, "soon": 0, "999999999": time.Hour,
		"Tue, 24 Nov 2026 12:00:30 GMT": 30 * time.Second, "Tue, 24 Nov 2026 11:00:00 GMT": 0,
	} {
		if got := retryAfter(http.Header{"Retry-After": {text}}, now); got != want {
			t.Errorf("Retry-After %q: got %s, want %s", text, got, want)
		}
	}
	s := newStore(t)
	s.setAnswer(func(w http.ResponseWriter, _ *http.Request, _ []string) bool {
		w.Header().Set("Retry-After", "1800")
		http.Error(w, "", http.StatusTooManyRequests)
		return true
	})
	o := options(t, t.TempDir(), s.server.URL)
	recordAll(t, o.Recordings, 1, readings("R1", 0, 10, time.Second)...)
	f := start(t, o)
	eventually(t, "it waits as it was asked to", func() bool { return f.Status().RetryAt.Equal(o.Clock().Add(30 * time.Minute)) })
	stop(t, f) // does not wait for half an hour
	if n, _ := s.counts(); n != 2 {
		t.Errorf("got %d requests, want 2: the first and the one at the stop", n)
	}
}

// refuser answers as InfluxDB and VictoriaMetrics do where lines are bad.
func refuser(s *store, bad func(line string) string, partial bool, code int) func(http.ResponseWriter, *http.Request, []string) bool {
	return func(w http.ResponseWriter, _ *http.Request, lines []string) bool {
		var good []string
		dropped, why := 0, ""
		for _, l := range lines {
			if reason := bad(l); reason != "" {
				dropped, why = dropped+1, reason
			} else {
				good = append(good, l)
			}
		}
		switch {
		case dropped == 0:
			return false
		case partial:
			if err := s.take([]byte(strings.Join(good, "\n"))); err != nil {
				panic(err)
			}
			answerPartial(w, code, fmt.Sprintf("partial write: %s dropped=%d", why, dropped))
		default:
			answerPartial(w, code, "cannot unmarshal InfluxDB line: "+why)
		}
		return true
	}
}

// answerPartial answers as the servers do: 400 as plain text, and 422 as JSON, which is
// InfluxDB 2's for points that it will not have (its API's reference: code "unprocessable
// entity" beside a message).
func answerPartial(w http.ResponseWriter, code int, words string) {
	if code != http.StatusUnprocessableEntity {
		http.Error(w, words, code)
		return
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(map[string]string{"code": "unprocessable entity", "message": "failure writing points to database: " + words})
}

func TestARefusedPointTakesNoOtherAlong(t *testing.T) {
	all := readings("R1", 0, 1500, time.Second)
	// The readings 33 and 1200 have a block height that the server will not have.
	var marks []string
	want := wanted(all...)
	for _, n := range []int{33, 1200} {
		ns := all[n].Sample.Time.UnixNano()
		marks = append(marks, fmt.Sprintf(" %d", ns))
		delete(want, value{"hoist,rig=R1 block_height", ns})
	}
	bad := func(line string) string {
		for _, m := range marks {
			if strings.HasSuffix(line, m) && strings.Contains(line, "block_height=") {
				return "something is wrong with it"
			}
		}
		return ""
	}
	for _, c := range []struct {
		partial bool
		code    int
	}{{true, 400}, {false, 400}, {true, 422}, {false, 422}} {
		t.Run(fmt.Sprint(c), func(t *testing.T) {
			s := newStore(t)
			s.setAnswer(refuser(s, bad, c.partial, c.code))
			o := options(t, t.TempDir(), s.server.URL)
			recordAll(t, o.Recordings, 1, all...)
			f := start(t, o)
			stop(t, f)
			compare(t, s.snapshot(), want, 0)
			lines := strings.Split(strings.TrimSpace(refusedLines(t, o)), "\n")
			if len(lines) != 2 {
				t.Fatalf("got %d lines put aside, want 2: %q", len(lines), lines)
			}
			for i, l := range lines {
				var a asideLine
				if err := json.Unmarshal([]byte(l), &a); err != nil {
					t.Fatal(err)
				}
				if a.Rig != "R1" || a.Status != c.code || !strings.Contains(a.Words, "something is wrong with it") ||
					!strings.HasPrefix(a.Line, "hoist,rig=R1 block_height=") || !strings.HasSuffix(a.Line, marks[i]) {
					t.Errorf("got %s, want the field block_height of the reading at %s, with the server's words", l, marks[i])
				}
			}
			st := f.Status()
			if st.Refused != 2 || len(st.Rigs) != 1 || st.Rigs[0].Refused != 2 || !strings.Contains(st.Words, "something is wrong") {
				t.Errorf("got %+v, want 2 refused, with the words", st)
			}
			f = start(t, o)
			stop(t, f)
			if st := f.Status(); st.Refused != 0 || st.Rigs[0].Refused != 2 {
				t.Errorf("after a restart: got %+v, want none since the start and 2 in all", st)
			}
		})
	}
}

// A field that the server has of another type is lost alone, and does not cost a
// search in each batch.
func TestAFieldOfAnotherType(t *testing.T) {
	all := readings("R1", 0, 4000, time.Second)
	want := table{}
	refused := 0
	for id, v := range wanted(all...) {
		if strings.HasSuffix(id.series, " hook_load") {
			refused++
		} else {
			want[id] = v
		}
	}
	s := newStore(t)
	s.setAnswer(refuser(s, func(line string) string {
		if strings.Contains(line, "hook_load=") {
			return `field type conflict: input field "hook_load" on measurement "hoist" is type float, already exists as type integer`
		}
		return ""
	}, true, 400))
	o := options(t, t.TempDir(), s.server.URL)
	o.Batch = 200
	recordAll(t, o.Recordings, 1, all...)
	f := start(t, o)
	stop(t, f)
	compare(t, s.snapshot(), want, 0)
	if st := f.Status(); st.Refused != uint64(refused) {
		t.Errorf("got %d refused, want %d", st.Refused, refused)
	}
	if n, _ := s.counts(); n > 2*4000/200+40 {
		t.Errorf("got %d requests for 20 batches: the field is looked for each time", n)
	}
	s.setAnswer(nil) // somebody has mended the server
	more := readings("R1", 4000, 300, time.Second)
	recordAll(t, o.Recordings, 5000, more...)
	stop(t, start(t, o))
	for id, v := range wanted(more...) {
		want[id] = v
	}
	compare(t, s.snapshot(), want, 0)
}

func TestTooLarge(t *testing.T) {
	all := readings("R1", 0, 1000, time.Second)
	s := newStore(t)
	s.setAnswer(func(w http.ResponseWriter, _ *http.Request, lines []string) bool {
		if len(lines) <= 70 {
			return false
		}
		http.Error(w, "Request Entity Too Large", http.StatusRequestEntityTooLarge)
		return true
	})
	o := options(t, t.TempDir(), s.server.URL)
	recordAll(t, o.Recordings, 1, all...)
	stop(t, start(t, o))
	compare(t, s.snapshot(), wanted(all...), 0)
	if n, _ := s.counts(); n > 30 {
		t.Errorf("got %d requests, want few: the size that goes is remembered", n)
	}
	if r := refusedLines(t, o); r != "" {
		t.Errorf("put aside: %.200s", r)
	}
}

func TestBeyondRetentionIsPutAsideAtOnce(t *testing.T) {
	all := readings("R1", 0, 900, time.Second)
	limit := all[600].Sample.Time
	s := newStore(t)
	s.setAnswer(refuser(s, func(line string) string {
		var ns int64
		fmt.Sscan(line[strings.LastIndexByte(line, ' ')+1:], &ns)
		if time.Unix(0, ns).Before(limit) {
			return "points beyond retention policy"
		}
		return ""
	}, true, 400))
	o := options(t, t.TempDir(), s.server.URL)
	o.Batch = 100
	recordAll(t, o.Recordings, 1, all...)
	f := start(t, o)
	stop(t, f)
	compare(t, s.snapshot(), wanted(all[600:]...), 0)
	if st := f.Status(); st.Refused != 600 {
		t.Errorf("got %d refused, want 600", st.Refused)
	}
	if n, _ := s.counts(); n != 9 {
		t.Errorf("got %d requests, want 9", n)
	}
}

func TestATokenIsReadAgain(t *testing.T) {
	s := newStore(t)
	s.setAnswer(func(w http.ResponseWriter, r *http.Request, _ []string) bool {
		if r.Header.Get("Authorization") == "Token second" {
			return false
		}
		http.Error(w, "unauthorized", http.StatusUnauthorized)
		return true
	})
	o := options(t, t.TempDir(), s.server.URL)
	o.TokenFile = filepath.Join(t.TempDir(), "token")
	write := func(text string) {
		if err := os.WriteFile(o.TokenFile, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("first\n")
	all := readings("R1", 0, 50, time.Second)
	recordAll(t, o.Recordings, 1, all...)
	f := start(t, o)
	eventually(t, "the refusal", func() bool { return f.Status().State == "refused" })
	write("second\n")
	eventually(t, "all is there", func() bool { _, n := s.counts(); return n == len(wanted(all...)) })
	stop(t, f)
}

// A value that cannot be written takes no other field along.
func TestNotANumberTakesNoOtherAlong(t *testing.T) {
	e := ingest.Entry{Rig: "R1", Kind: ingest.EntrySample, Received: noon}
	e.Sample.Set(ingest.BlockHeight, ingest.Number(12.3))
	e.Sample.Set(ingest.HookLoad, ingest.BadValue(ingest.NotANumber))
	e.Sample.Set(ingest.DrumCounts, ingest.Number(4)) // whole, and a float all the same
	p := sampleOf(&e)
	line, err := p.line(&(&delivery{}).enc)
	if err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprintf("hoist,rig=R1 hook_load_quality=0,hook_load_reason=3,block_height=12.3,drum_counts=4 %d", noon.UnixNano())
	if line != want {
		t.Errorf("got  %s\nwant %s", line, want)
	}
}

func TestWordsAreBounded(t *testing.T) {
	e := &influxhttp.Error{StatusCode: 503, Message: strings.Repeat("no\n\xff ", 4000)}
	if got := words(e); len(got) > 520 || strings.Contains(got, "\n") || !utf8.ValidString(got) {
		t.Errorf("got %d bytes: %q", len(got), got[:80])
	}
}
