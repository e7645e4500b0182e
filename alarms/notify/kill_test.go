package notify

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"hoistward/alarms"
	"hoistward/ingest/mqtt"
)

// TestChild is the program that the kill tests kill: it raises and sends for ever.
func TestChild(t *testing.T) {
	dir := os.Getenv("NOTIFY_CHILD")
	if dir == "" {
		t.Skip("it is run by the kill tests")
	}
	x := newBench(t, dir, func(o *Options) {
		if url := os.Getenv("NOTIFY_BROKER"); url != "" {
			o.MQTT = []MQTT{{Name: "mqtt-field", Link: mqtt.Options{Broker: url}}}
		}
		if url := os.Getenv("NOTIFY_URL"); url != "" {
			o.Webhooks = []Webhook{{Name: "shore", URL: url, SecretFile: secretFile(t, dir), Timeout: time.Second}}
		}
	}).start()
	tick := time.NewTicker(2 * time.Millisecond)
	for range tick.C {
		x.raise(func(e *alarms.Event) { e.Reason = fmt.Sprintf("of %d", os.Getpid()) })
	}
}

// receiver takes requests and keeps each event's text by id, in the order of first
// coming.
type receiver struct {
	mu     sync.Mutex
	byID   map[string]string
	order  []string
	twice  int
	wrong  []string
	answer func(w http.ResponseWriter, r *http.Request, body request) bool // true = it answered itself
}

func (v *receiver) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	text, err := io.ReadAll(r.Body)
	var body request
	if err == nil {
		err = json.Unmarshal(text, &body)
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if err != nil {
		return // the sender was killed while it sent
	}
	if want := Sign([]byte(secretText), r.Header.Get(TimestampHeader), text); r.Header.Get(SignatureHeader) != want {
		v.wrong = append(v.wrong, "signature")
	}
	if v.answer != nil && v.answer(w, r, body) {
		return
	}
	for _, e := range body.Events {
		var n struct {
			ID string `json:"id"`
		}
		if err := json.Unmarshal(e, &n); err != nil || n.ID == "" {
			v.wrong = append(v.wrong, string(e))
		}
		if old, known := v.byID[n.ID]; known {
			v.twice++
			if old != string(e) {
				v.wrong = append(v.wrong, "another event under "+n.ID)
			}
			continue
		}
		v.byID[n.ID] = string(e)
		v.order = append(v.order, string(e))
	}
}

func (v *receiver) count() int {
	v.mu.Lock()
	defer v.mu.Unlock()
	return len(v.order)
}

const secretText = "an invented secret of this test"

func secretFile(t testing.TB, dir string) string {
	path := filepath.Join(dir, "secret")
	if err := os.WriteFile(path, []byte(secretText+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Killed at any instant, fifty times, the outbox loses nothing: every line of the
// journal arrives, in its order; what comes twice has the same id and the same text.
func TestKilledFiftyTimes(t *testing.T) {
	v := &receiver{byID: map[string]string{}}
	server := httptest.NewServer(v)
	defer server.Close()
	dir := t.TempDir()
	newBench(t, dir, hook(t, dir, server.URL)).stop() // the destination is set up: from here on, all is to come
	for range 50 {
		before := v.count()
		child := exec.Command(os.Args[0], "-test.run", "^TestChild$")
		child.Env = append(os.Environ(), "NOTIFY_CHILD="+dir, "NOTIFY_URL="+server.URL)
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		until(t, "the child to send", func() bool { return v.count() > before })
		time.Sleep(rand.N(20 * time.Millisecond)) // the instant of the kill is drawn; nothing waits on it
		_ = child.Process.Kill()
		_ = child.Wait()
	}
	x := newBench(t, dir, hook(t, dir, server.URL)).start()
	until(t, "the rest", func() bool { s := x.status("shore"); return s.Behind == 0 })
	x.stop()
	text, err := os.ReadFile(filepath.Join(dir, "journal.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		if _, err := alarms.ParseEvent([]byte(line)); err != nil {
			continue // torn by a kill; the journal says so in its next line
		}
		if n >= len(v.order) || !strings.HasPrefix(v.order[n], line[:len(line)-1]) {
			t.Fatalf("event %d of %d is not the journal's: %s", n, len(v.order), line)
		}
		n++
	}
	if n != len(v.order) || n < 50 || len(v.wrong) > 0 {
		t.Errorf("%d lines, %d events, wrong: %v", n, len(v.order), v.wrong)
	}
	t.Logf("%d events, %d came twice", n, v.twice)
}

func hook(t testing.TB, dir, url string) func(*Options) {
	return func(o *Options) {
		o.Webhooks = []Webhook{{Name: "shore", URL: url, SecretFile: secretFile(t, dir), Timeout: 2 * time.Second}}
	}
}
