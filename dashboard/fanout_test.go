package dashboard_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/gorilla/websocket"
)

// fleetMessage is what a page of many rigs is sent.
type fleetMessage struct {
	Seq      uint64
	SentMs   int64 `json:"sent_ms"`
	Whole    bool
	Order    []string
	Tiles    []dashboard.Tile
	Alarms   []fleetLists
	Watching []struct {
		Rig   string
		Pages int
		Who   []string
	}
}

type fleetLists struct {
	Rig      string
	Standing []dashboard.AlarmView
	Shelved  []dashboard.AsideView
}

func nextFleet(t *testing.T, conn *websocket.Conn) (m fleetMessage) {
	t.Helper()
	_ = conn.SetReadDeadline(time.Now().Add(5 * time.Second))
	_, raw, err := conn.ReadMessage()
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(raw, &m); err != nil {
		t.Fatalf("%v in %.200q", err, raw)
	}
	return m
}

func TestFleetIsSentWholeThenWhatChanges(t *testing.T) {
	l := serveLive(t, dashboard.Options{Rigs: []string{"southmoor-2", "eastlow-3"}})
	start := time.Now()
	l.Publish(overhoist(7, start))
	conn, _, err := dial(t, l, "fleet", nil)
	if err != nil {
		t.Fatal(err)
	}
	m := nextFleet(t, conn)
	if !m.Whole || m.Seq != 1 || !slices.Equal(m.Order, []string{rigName, "eastlow-3", "southmoor-2"}) ||
		len(m.Tiles) != 1 || m.Tiles[0].Seq != 7 || len(m.Alarms) != 1 || len(m.Alarms[0].Standing) != 3 || m.Watching == nil {
		t.Fatalf("first message %+v", m)
	}
	if a := m.Alarms[0].Standing[0]; a.Alarm != "overhoist" || a.Occurrence != 1 || a.Version != 3 || !a.CanAck {
		t.Errorf("first alarm %+v: want what an acknowledgement must name", a)
	}
	now := start.Add(10 * time.Millisecond)
	l.Publish(overhoist(8, now))
	seen, lists, before := map[string]uint64{}, 0, m
	for seen[rigName] < 9 {
		m = nextFleet(t, conn)
		if m.Whole || m.Seq != before.Seq+1 {
			t.Fatalf("message %d, whole %v, after %d", m.Seq, m.Whole, before.Seq)
		}
		before = m
		for _, tile := range m.Tiles {
			if tile.Seq <= seen[tile.Rig] {
				t.Errorf("tile %d of %s after %d", tile.Seq, tile.Rig, seen[tile.Rig])
			}
			seen[tile.Rig] = tile.Seq
		}
		lists += len(m.Alarms)
		if seen[rigName] == 8 { // the same alarms as before: not sent again
			s := overhoist(9, now)
			s.Alarms[0].SinceMs = overhoist(8, now).Alarms[0].SinceMs
			l.Publish(s)
		}
	}
	if lists != 1 { // the one of 8: since when differs from the one of 7
		t.Errorf("lists of alarms came %d times, want once", lists)
	}
}

// Nothing new for long is said, so that a page can tell quiet from dead.
func TestFleetSaysThatNothingIsNew(t *testing.T) {
	l := serveLive(t, dashboard.Options{})
	conn, _, err := dial(t, l, "fleet", nil)
	if err != nil {
		t.Fatal(err)
	}
	nextFleet(t, conn)
	start := time.Now()
	for range 3 {
		if m := nextFleet(t, conn); len(m.Tiles)+len(m.Alarms) > 0 {
			t.Errorf("of nothing new came %+v", m)
		}
	}
	if took := time.Since(start); took > 3*2*time.Second {
		t.Errorf("three signs of life took %v, want each within the 2 s after which a page is stale", took)
	}
}

// Forty rigs that change all the time are ten messages a second, each with all that is new.
func TestFleetIsPaced(t *testing.T) {
	var rigs []string
	for i := range 40 {
		rigs = append(rigs, fmt.Sprintf("rig-%02d", i))
	}
	l := serveLive(t, dashboard.Options{Rigs: rigs})
	conn, _, err := dial(t, l, "fleet", nil)
	if err != nil {
		t.Fatal(err)
	}
	nextFleet(t, conn)
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		for seq := uint64(1); ctx.Err() == nil; seq++ {
			for _, rig := range rigs {
				s := lowering(seq, time.Now())
				s.Rig = rig
				l.Publish(s)
			}
			time.Sleep(5 * time.Millisecond)
		}
	})
	defer wg.Wait()
	defer cancel()
	start := time.Now()
	messages, newest := 0, map[string]uint64{}
	for ; messages < 20; messages++ {
		for _, tile := range nextFleet(t, conn).Tiles {
			newest[tile.Rig] = max(newest[tile.Rig], tile.Seq)
		}
	}
	if limit := int(time.Since(start).Seconds()*10) + 2; messages > limit {
		t.Errorf("%d messages in %v, want %d at most", messages, time.Since(start), limit)
	}
	if len(newest) != 40 {
		t.Errorf("tiles of %d rigs came, want 40", len(newest))
	}
}

func TestWhoWatchesIsTold(t *testing.T) {
	l := serveLive(t, dashboard.Options{})
	l.Publish(base(1, time.Now()))
	fleet, _, err := dial(t, l, "fleet?person=C.+Example", nil)
	if err != nil {
		t.Fatal(err)
	}
	told := func(want string) {
		t.Helper()
		var last string
		for range 60 {
			if w := nextFleet(t, fleet).Watching; w != nil {
				if last = fmt.Sprint(w); last == want {
					return
				}
			}
		}
		t.Fatalf("told %s, want %s", last, want)
	}
	told("[{ 1 [C. Example]}]")
	cabin, _, err := dial(t, l, rigName+"?person=A.+Example", nil)
	if err != nil {
		t.Fatal(err)
	}
	told("[{ 1 [C. Example]} {" + rigName + " 1 [A. Example]}]")
	if _, _, err := dial(t, l, rigName+"?person=%07%00", nil); err != nil {
		t.Fatal(err)
	}
	told("[{ 1 [C. Example]} {" + rigName + " 2 [A. Example]}]")
	if cabins, many := l.Watching(rigName); !cabins || !many {
		t.Errorf("watching: %v, %v, want both", cabins, many)
	}
	cabin.Close()
	told("[{ 1 [C. Example]} {" + rigName + " 1 []}]")
}

// A page's ping is answered with what it carried (RFC 6455, 5.5.3).
func TestPingOfAPageIsAnswered(t *testing.T) {
	l := serveLive(t, dashboard.Options{})
	l.Publish(base(1, time.Now()))
	conn, _, err := dial(t, l, rigName, nil)
	if err != nil {
		t.Fatal(err)
	}
	pong := make(chan string, 1)
	conn.SetPongHandler(func(data string) error { pong <- data; return nil })
	if err := conn.WriteControl(websocket.PingMessage, []byte("is it you?"), time.Now().Add(time.Second)); err != nil {
		t.Fatal(err)
	}
	go func() { // until the connection ends
		for {
			if _, _, err := conn.ReadMessage(); err != nil {
				return
			}
		}
	}()
	select {
	case got := <-pong:
		if got != "is it you?" {
			t.Errorf("pong with %q", got)
		}
	case <-time.After(5 * time.Second):
		t.Error("no pong came")
	}
}

// from makes every connection of a listener look as if it came from another machine.
type from struct {
	net.Listener
	address atomic.Pointer[net.TCPAddr]
}

func (l *from) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	return fromConn{c, l.address.Load()}, err
}

type fromConn struct {
	net.Conn
	address *net.TCPAddr
}

func (c fromConn) RemoteAddr() net.Addr { return c.address }

// One other machine may open a hundred pages, and takes no place from the next.
func TestPagesOfOneAddressAreBounded(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := &from{Listener: ln}
	s := dashboard.New(dashboard.Options{Rigs: []string{rigName}})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	l.address.Store(&net.TCPAddr{IP: net.ParseIP("192.0.2.7"), Port: 1})
	go func() { done <- s.Serve(ctx, l) }()
	t.Cleanup(func() { cancel(); <-done })
	url := "ws://" + ln.Addr().String() + "/ws/" + rigName
	open := func() (*websocket.Conn, int) {
		conn, resp, err := websocket.DefaultDialer.Dial(url, nil)
		if err != nil && resp == nil {
			t.Fatal(err)
		}
		if err == nil {
			t.Cleanup(func() { conn.Close() })
		}
		return conn, resp.StatusCode
	}
	var first *websocket.Conn
	for i := range 100 {
		conn, code := open()
		if code != http.StatusSwitchingProtocols {
			t.Fatalf("page %d: status %d", i+1, code)
		}
		if i == 0 {
			first = conn
		}
	}
	if _, code := open(); code != http.StatusServiceUnavailable {
		t.Errorf("page 101 of one address: status %d, want 503", code)
	}
	l.address.Store(&net.TCPAddr{IP: net.ParseIP("192.0.2.8"), Port: 1})
	if _, code := open(); code != http.StatusSwitchingProtocols {
		t.Errorf("the first page of another address: status %d", code)
	}
	l.address.Store(&net.TCPAddr{IP: net.ParseIP("192.0.2.7"), Port: 1})
	first.Close()
	eventually(t, "a page that left makes room", func() bool { _, code := open(); return code == http.StatusSwitchingProtocols })
}

// heap is what is in use after a collection, bytes.
func heap() uint64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// 200 pages, half of one rig and half of forty, of which 20 never read: those are dropped,
// the others get what is new all the same, and the server keeps no more than it did.
func TestTwoHundredPagesOfWhichTwentyNeverRead(t *testing.T) {
	var rigs []string
	for i := range 40 {
		rigs = append(rigs, fmt.Sprintf("rig-%02d", i))
	}
	l := serveLive(t, dashboard.Options{Rigs: rigs})
	var seq atomic.Uint64
	publish := func() {
		n := seq.Add(1)
		for _, rig := range rigs {
			s := lowering(n, time.Now())
			s.Rig = rig
			s.Recorder = strings.Repeat("x", 2<<10) // fills what a page that does not read is given room for
			s.Estimate.Activity = strings.Repeat("y", 1<<10)
			l.Publish(s)
		}
	}
	publish()
	var got [200]atomic.Uint64 // newest seq of rig-00 that a page has
	var readers sync.WaitGroup
	defer readers.Wait()
	for i := range 200 {
		path := "fleet"
		if i%2 == 0 {
			path = rigs[0]
		}
		conn, _, err := dial(t, l, path, nil)
		if err != nil {
			t.Fatalf("page %d: %v", i, err)
		}
		if i%10 == 9 {
			_ = conn.NetConn().(*net.TCPConn).SetReadBuffer(4 << 10)
			continue // never read from
		}
		defer conn.Close()
		readers.Go(func() {
			for {
				_, raw, err := conn.ReadMessage()
				if err != nil {
					return
				}
				if n := seqOfFirstRig(raw, path == "fleet"); n > 0 {
					got[i].Store(n)
				}
			}
		})
	}
	all := func(n uint64) bool {
		for i := range got {
			if i%10 != 9 && got[i].Load() < n {
				return false
			}
		}
		return true
	}
	eventually(t, "every page that reads has the first", func() bool { return all(1) })
	before := heap()
	for round := uint64(2); l.Figures().Slow < 20 || round < 40; round++ {
		if round > 400 {
			t.Fatalf("%d pages were dropped, want the 20 that never read", l.Figures().Slow)
		}
		publish()
		eventually(t, fmt.Sprintf("every page that reads has %d", round), func() bool { return all(round) })
	}
	f := l.Figures()
	if f.Pages != 180 || f.Slow != 20 || f.Lost != 0 {
		t.Errorf("%d pages open, %d dropped, %d gone, want 180, 20 and 0", f.Pages, f.Slow, f.Lost)
	}
	after := heap()
	t.Logf("heap of server and pages together: %d kB, then %d kB, after %d rounds", before>>10, after>>10, seq.Load())
	if after > before+before/4+4<<20 {
		t.Errorf("heap grew from %d to %d bytes", before, after)
	}
}

// seqOfFirstRig reads as little as it can: the pages of this test share two cores.
func seqOfFirstRig(raw []byte, fleet bool) uint64 {
	text := string(raw[:min(len(raw), 64)])
	if fleet {
		_, rest, found := strings.Cut(string(raw), `{"rig":"rig-00","seq":`)
		if !found {
			return 0
		}
		text = rest[:min(len(rest), 24)]
	} else {
		text = strings.TrimPrefix(text, `{"seq":`)
	}
	var n uint64
	_, _ = fmt.Sscanf(text, "%d", &n)
	return n
}
