package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"hoistward/dashboard"
	"hoistward/ingest"
)

// A rig that no page shows gets a snapshot a second, a watched one as often as it has
// something new, and the page that comes is given what is known now.
func TestSnapshotsAreMadeForWhoLooks(t *testing.T) {
	l := startLive(t, 2, 1)
	s := newSender(t, l.broker.URL())
	until(t, "the subscription", func() bool { return strings.Contains(l.get("/healthz"), `"subscribed"`) })
	conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(l.st.address, "http")+"/ws/R1", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	_ = conn.SetReadDeadline(time.Now().Add(20 * time.Second))
	seen := func() (seq uint64) {
		var snap dashboard.Snapshot
		if err := conn.ReadJSON(&snap); err != nil {
			t.Fatal(err)
		}
		return snap.Seq
	}
	seen()
	if !l.st.page.Watched("R1") || l.st.page.Watched("R2") {
		t.Error("R1 has a page, R2 has none")
	}
	for i := range 3 {
		s.send("R2", good(10+0.25*float64(i)))
		want := fmt.Sprintf(`"block_height","value":%g,`, 10+0.25*float64(i))
		until(t, "the newest height of a rig that nobody looks at", func() bool { return strings.Contains(l.get("/api/rigs/R2"), want) })
	}
	conn.Close()
	until(t, "R1 to be unwatched", func() bool { return !l.st.page.Watched("R1") })
}

func TestSnapshotIsDue(t *testing.T) {
	p := newPager(&ingest.Counters{})
	page := dashboard.New(dashboard.Options{Rigs: []string{"R1"}})
	p.page.Store(page)
	now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	if !p.due("R1", now) {
		t.Error("no snapshot for a rig that never had one")
	}
	p.last["R1"] = now
	for after, want := range map[time.Duration]bool{
		pageEvery - 1: false, pageEvery: false, unseenEvery: false, restEvery - 1: false, restEvery: true,
	} {
		if got := p.due("R1", now.Add(after)); got != want {
			t.Errorf("nobody looks at anything, after %v: due %v, want %v", after, got, want)
		}
	}
}

func TestRejectsOfARigAreItsOwnAndItsSources(t *testing.T) {
	var c ingest.Counters
	c.Add("R1", ingest.RejectRepeatedTime, "1")
	c.Add("R2", ingest.RejectBackwardTime, "2")
	c.Add("field", ingest.RejectBrokenJSON, "{")
	v := viewRejects(c.Snapshot(), map[string]bool{"R1": true, "R2": true})
	text, err := json.Marshal([]any{v.of("R1"), v.of("R3")})
	if err != nil {
		t.Fatal(err)
	}
	const want = `[[{"source":"R1","reason":"repeated time","count":1,"example":"1"},{"source":"field","reason":"broken JSON","count":1,"example":"{"}],` +
		`[{"source":"field","reason":"broken JSON","count":1,"example":"{"}]]`
	if string(text) != want {
		t.Errorf("got %s\nwant %s", text, want)
	}
}
