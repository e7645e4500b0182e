package dashboard

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

func (b *bench) dialFleet(address, token string) *websocket.Conn {
	b.t.Helper()
	h := http.Header{}
	h.Set("Cookie", b.cookieName()+"="+token)
	conn, _, err := websocket.DefaultDialer.Dial("ws://"+address+"/ws/fleet?person=Somebody", h)
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { conn.Close() })
	return conn
}

// until reads messages until one holds want, and fails on one that holds other.
func untilSaid(t *testing.T, conn *websocket.Conn, want, other string) {
	t.Helper()
	_ = conn.SetReadDeadline(time.Now().Add(15 * time.Second))
	for {
		_, raw, err := conn.ReadMessage()
		if err != nil {
			t.Fatalf("%q did not come: %v", want, err)
		}
		if other != "" && strings.Contains(string(raw), other) {
			t.Fatalf("told of %s: %s", other, raw)
		}
		if strings.Contains(string(raw), want) {
			return
		}
	}
}

// Who sees one rig is told of no other on the page of all rigs: not its tile, its alarms,
// its place in the order, or who watches it; under the account's name, whatever the page
// says.
func TestFleetTellsOnlyOfOwnRigs(t *testing.T) {
	b := newBench(t, nil)
	address := b.serve()
	all := b.dialFleet(address, b.in("Centre"))
	untilSaid(t, all, otherRig, "")
	h := http.Header{}
	h.Set("Cookie", b.cookieName()+"="+b.in("Centre"))
	watching, _, err := websocket.DefaultDialer.Dial("ws://"+address+"/ws/"+otherRig, h)
	if err != nil {
		t.Fatal(err)
	}
	defer watching.Close()
	untilSaid(t, all, `{"rig":"`+otherRig+`","pages":1,"who":["Centre"]}`, "Somebody")
	own := b.dialFleet(address, b.in("Watcher"))
	untilSaid(t, own, `"order":["`+ownRig+`"]`, otherRig)
	b.Publish(&Snapshot{Rig: otherRig, Seq: 2, ServerMs: b.time().UnixMilli(), Alarms: []AlarmView{{Alarm: "overhoist", Priority: "emergency", CanAck: true}}})
	b.Publish(&Snapshot{Rig: ownRig, Seq: 77, ServerMs: b.time().UnixMilli()})
	untilSaid(t, own, `"seq":77,`, otherRig)
	untilSaid(t, all, `"overhoist"`, "")
}

// A session that is over ends the socket of all rigs too.
func TestFleetEndsWithTheSession(t *testing.T) {
	b := newBench(t, nil)
	token := b.in("Watcher")
	conn := b.dialFleet(b.serve(), token)
	untilSaid(t, conn, ownRig, "")
	if w := b.ask("DELETE", "/api/session", "", token); w.Code != http.StatusNoContent {
		t.Fatalf("sign-out: %d", w.Code)
	}
	_ = conn.SetReadDeadline(time.Now().Add(15 * time.Second))
	var err error
	for err == nil {
		_, _, err = conn.ReadMessage()
	}
	if !websocket.IsCloseError(err, websocket.ClosePolicyViolation) {
		t.Errorf("the socket ended with %v, want close 1008", err)
	}
}

// The journal's entries are those of the person's rigs; no rig is not every rig.
func TestEventsAreOfOwnRigs(t *testing.T) {
	var asked []string
	var most int
	b := newBench(t, func(o *Options) {
		o.Happened = func(rigs []string, from, to time.Time, n int) (Happened, error) {
			asked, most = append([]string{from.UTC().Format("01-02T15"), to.UTC().Format("01-02T15")}, rigs...), n
			return Happened{More: 3}, nil
		}
	})
	for _, c := range []struct {
		who, query, want string
		code             int
	}{
		{"Watcher", "", "11-24T00 11-24T12 " + ownRig, 200},
		{"Watcher", "?rig=" + ownRig + "&from=2026-11-20T00:00:00Z", "11-20T00 11-24T12 " + ownRig, 200},
		{"Centre", "", "11-24T00 11-24T12", 200},
		{"Centre", "?rig=" + otherRig, "11-24T00 11-24T12 " + otherRig, 200},
		{"Watcher", "?rig=" + otherRig, "", 400},
		{"Centre", "?from=2026-11-10T00:00:00Z", "", 400}, // more than seven days
		{"Centre", "?from=yesterday", "", 400},
		{"Centre", "?most=9", "", 400},
	} {
		asked = nil
		w := b.ask("GET", "/api/alarms/events"+c.query, "", b.in(c.who))
		if got := strings.Join(asked, " "); w.Code != c.code || got != c.want {
			t.Errorf("%s %s: %d, asked for %q, want %d and %q", c.who, c.query, w.Code, got, c.code, c.want)
		}
		if c.code == 200 && (most != 500 || !strings.Contains(w.Body.String(), `"events":[],"more":3`)) {
			t.Errorf("%s %s: %d at most, answer %s", c.who, c.query, most, w.Body)
		}
	}
}
