package notify

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"sync"
	"testing"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/pair"
)

// follower is a member that has taken over: it speaks, and has what the relay holds.
type follower struct {
	mu    sync.Mutex
	relay *pair.Relay
}

func (f *follower) Member() string { return "b" }
func (f *follower) Speaks() bool   { return true }
func (f *follower) Ask(string, string, *alarms.Event, int64, int64) pair.Verdict {
	return pair.Send
}
func (f *follower) Due(destination string, most int) []pair.Forward {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.relay.Due(destination, most)
}
func (f *follower) Delivered(destination string, ids []string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.relay.Delivered(destination, ids)
}
func (f *follower) Turned(string) bool          { return false }
func (f *follower) Rewind(string) (int64, bool) { return 0, false }
func (f *follower) Again(int64) (uint64, bool)  { return 0, false }

// What the other member told and a webhook does not have goes there before this member's
// own, word for word, again after a failure, and the requests say of which journal.
func TestWhatTheOtherToldIsForwarded(t *testing.T) {
	f := &follower{relay: pair.NewRelay("shore")}
	f.relay.Receipt("life", "aaaaaaaa", map[string]int64{"shore": 100})
	var want []string // their texts, as told
	for i := range 250 {
		e := alarms.Event{Time: time.Now(), Rig: "R1", Alarm: "brake_very_hot", Event: alarms.EventRaised, State: alarms.Unacknowledged, Priority: alarms.High}
		id := fmt.Sprintf("aaaaaaaa-%d-0", 101+i)
		text := fmt.Sprintf(`{"rig":"R1","member":"a","id":%q,"seq":%d}`, id, 101+i)
		f.relay.Hear(&pair.Forward{ID: id, Journal: "aaaaaaaa", Seq: int64(101 + i), Event: e, Text: []byte(text)})
		want = append(want, text)
	}
	f.relay.Adopt()
	v := &receiver{byID: map[string]string{}}
	var spans [][2]int64
	refused := 0
	v.answer = func(w http.ResponseWriter, _ *http.Request, b request) bool {
		if len(spans) == 1 && refused == 0 {
			refused++
			w.WriteHeader(http.StatusServiceUnavailable)
			return true
		}
		if b.Journal == "aaaaaaaa" {
			spans = append(spans, [2]int64{b.After, b.Seq})
		}
		return false
	}
	server := httptest.NewServer(v)
	defer server.Close()
	dir := t.TempDir()
	x := newBench(t, dir, func(o *Options) {
		hook(t, dir, server.URL)(o)
		o.Voice = f
	}).start()
	defer x.stop()
	until(t, "what the other told", func() bool { return v.count() == len(want) })
	x.raise(nil)
	until(t, "its own", func() bool { return v.count() == len(want)+1 })
	v.mu.Lock()
	defer v.mu.Unlock()
	if got := v.order[:len(want)]; !slices.Equal(got, want) || len(v.wrong) > 0 {
		t.Errorf("got %v and %v, want %v", got, v.wrong, want)
	}
	if want := [][2]int64{{100, 200}, {200, 300}, {300, 350}}; !slices.Equal(spans, want) {
		t.Errorf("the requests dealt with %v, want %v", spans, want)
	}
	if s := x.n.Status()[0]; s.Sent != uint64(len(want))+1 {
		t.Errorf("%d sent, want %d", s.Sent, len(want)+1)
	}
}
