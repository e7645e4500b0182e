package notify

import (
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/journal"
)

// What waited longer than is kept is passed over, counted, and told to the receiver.
func TestOldEventsArePassedOver(t *testing.T) {
	v := &receiver{byID: map[string]string{}}
	server := httptest.NewServer(v)
	defer server.Close()
	dir := t.TempDir()
	x := newBench(t, dir, hook(t, dir, server.URL))
	for range 250 {
		x.raise(func(e *alarms.Event) { e.Time = time.Now().Add(-73 * time.Hour) })
	}
	x.raise(func(e *alarms.Event) { e.Reason = "young" })
	x.start()
	until(t, "all dealt with", func() bool { return x.status("shore").Behind == 0 })
	x.stop()
	if s := x.status("shore"); s.PassedOver != 250 || s.Sent != 1 || len(v.order) != 1 || !strings.Contains(v.order[0], "young") {
		t.Errorf("passed over %d, sent %d: %v", s.PassedOver, s.Sent, v.order)
	}
}

// Lines that are no events are counted and left; a journal that was moved away is sent
// to its end, then the new one from its start.
func TestJournalDamagedAndMoved(t *testing.T) {
	v := &receiver{byID: map[string]string{}}
	server := httptest.NewServer(v)
	defer server.Close()
	dir := t.TempDir()
	x := newBench(t, dir, hook(t, dir, server.URL))
	path := filepath.Join(dir, "journal.jsonl")
	write := func(text string) {
		f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.WriteString(text); err != nil {
			t.Fatal(err)
		}
		f.Close()
	}
	x.raise(nil)
	write(`{"time":"torn` + "\n\n" + strings.Repeat("long", journal.MaxLine/2) + "\n")
	x.raise(nil)
	if err := os.Rename(path, path+".1"); err != nil {
		t.Fatal(err)
	}
	x.raise(nil) // into the moved file: the writer finds out with its next sync
	if err := x.journal.Sync(); err != nil {
		t.Fatal(err)
	}
	x.raise(nil)
	x.start()
	until(t, "the last", func() bool { v.mu.Lock(); defer v.mu.Unlock(); return has(v.order, `"number 4"`) })
	for i := range 4 {
		if !has(v.order, fmt.Sprintf(`"number %d"`, i+1)) {
			t.Errorf("event %d is missing: %v", i+1, v.order)
		}
	}
	if !has(v.order, "moved or removed") || len(v.wrong) > 0 {
		t.Errorf("no word of the move; wrong: %v", v.wrong)
	}
	until(t, "the place", func() bool { return x.status("shore").Behind == 0 })
	if s := x.status("shore"); s.Damaged < 2 {
		t.Errorf("%d damaged lines, want 2 at least", s.Damaged)
	}
	x.stop()
}

// A place that cannot be read is set aside, and all that is still sent goes out again
// under the same ids. A place beyond the journal's end, as after a loss of power, goes
// on with the end.
func TestPlaceDamagedOrAhead(t *testing.T) {
	v := &receiver{byID: map[string]string{}}
	server := httptest.NewServer(v)
	defer server.Close()
	dir := t.TempDir()
	x := newBench(t, dir, hook(t, dir, server.URL))
	for range 3 {
		x.raise(nil)
	}
	x.start()
	until(t, "three", func() bool { return x.status("shore").Behind == 0 })
	x.stop()
	placePath := filepath.Join(dir, "notify", "shore.json")
	good, err := os.ReadFile(placePath)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(placePath, []byte(`{"seq":`), 0o600); err != nil {
		t.Fatal(err)
	}
	x = newBench(t, dir, hook(t, dir, server.URL)).start()
	until(t, "three again", func() bool { return x.status("shore").Behind == 0 })
	x.stop()
	aside, _ := filepath.Glob(placePath + ".damaged-*")
	if len(v.order) != 3 || v.twice != 3 || len(v.wrong) > 0 || len(aside) != 1 {
		t.Errorf("%d events, %d twice, wrong %v, set aside %v", len(v.order), v.twice, v.wrong, aside)
	}
	ahead := strings.Replace(string(good), `"seq":`, `"seq":9`, 1)
	if err := os.WriteFile(placePath, []byte(ahead), 0o600); err != nil {
		t.Fatal(err)
	}
	x = newBench(t, dir, hook(t, dir, server.URL)).start()
	x.raise(func(e *alarms.Event) { e.Reason = "after the loss" })
	until(t, "the next", func() bool { v.mu.Lock(); defer v.mu.Unlock(); return has(v.order, "after the loss") })
	x.stop()
	if v.twice != 3 {
		t.Errorf("%d came twice, want no more than the three", v.twice)
	}
}
