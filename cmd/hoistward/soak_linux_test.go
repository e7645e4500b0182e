package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

// soakFor is how long TestSoak goes on, and soakSeed what its faults are drawn by:
//
//	HOISTWARD_SOAK=30m go test ./cmd/hoistward -run TestSoak -timeout 2h -v
const (
	soakFor  = "HOISTWARD_SOAK"
	soakSeed = "HOISTWARD_SOAK_SEED"
)

const soakRigs = 50

// soak is two monitors of the same rigs, a broker and a historian, all of them programs
// of their own. One monitor is never ended, so that what grows in it is seen; the other
// is killed now and then.
type soak struct {
	t         *testing.T
	draw      *rand.Rand
	dir       string
	disk      string // of the first one, small; empty = it could not be mounted
	broker    *realPart
	historian *realPart
	rigs      *rigsThatSend
	first     *proc
	second    *proc
	socket    string
	sites     [2]string
	data      [2]string
	away      []span // times in which readings may be lost on the way
	flooded   map[string][]span
	samples   []soakSample
	drawn     []string // faults to come
	faults    map[string]int
	pages     int
}

type soakSample struct {
	at         time.Duration
	own        probed
	handles    int
	resident   int   // KiB
	wal        int64 // bytes
	disk       int64 // bytes
	readings   int   // confirmed to the rigs up to here
	historians uint64
}

// Fifty rigs for a long time with faults at random: what a monitor holds stays what it
// was, and every reading that its broker gave it is recorded once.
func TestSoak(t *testing.T) {
	text := os.Getenv(soakFor)
	if text == "" {
		t.Skipf("it takes long; %s=30m runs it", soakFor)
	}
	length, err := time.ParseDuration(text)
	if err != nil {
		t.Fatal(err)
	}
	seed := uint64(time.Now().UnixNano())
	if text := os.Getenv(soakSeed); text != "" {
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%s=%d", soakSeed, seed)
	s := &soak{t: t, draw: rand.New(rand.NewPCG(seed, 0)), dir: t.TempDir(), flooded: map[string][]span{}, faults: map[string]int{}}
	s.begin()
	s.run(length)
	s.judge()
}

func (s *soak) begin() {
	t := s.t
	s.broker, s.historian = newBroker(t), newVictoria(t)
	s.disk = filepath.Join(s.dir, "disk")
	if err := os.Mkdir(s.disk, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("none", s.disk, "tmpfs", 0, "size=1500m"); err != nil {
		t.Logf("no disk of its own here, so it is never full: %v", err)
		s.disk = ""
	} else {
		t.Cleanup(func() { _ = syscall.Unmount(filepath.Join(s.dir, "disk"), mntDetach) })
	}
	s.data = [2]string{filepath.Join(s.dir, "disk", "one"), filepath.Join(s.dir, "two")}
	forward := fmt.Sprintf("historian: {url: 'http://%s', bucket: hoist, behind_after: 1 min}\n", s.historian.address())
	s.sites = [2]string{rigSite(t, s.dir, soakRigs, s.broker.mqtt(), s.data[0], forward), rigSite(t, s.dir, soakRigs, s.broker.mqtt(), s.data[1], "")}
	s.socket = filepath.Join(s.dir, "probe")
	s.first = s.monitor(0, probe+"="+s.socket)
	s.second = s.monitor(1)
	var names []string
	for i := range soakRigs {
		names = append(names, fmt.Sprintf("R%d", i+1))
	}
	s.watching(s.first, false)
	s.watching(s.second, false)
	s.rigs = startRigs(t, s.broker.mqtt(), 500*time.Millisecond, names...)
}

func (s *soak) monitor(i int, env ...string) *proc {
	p := (&groupRun{t: s.t}).start(env, "monitor", "--config", s.sites[i])
	within(s.t, 10*time.Minute, "the monitor's address", func() bool { return p.address() != "" })
	return p
}

// watching waits until a monitor is subscribed, and with readings that it watches all.
func (s *soak) watching(p *proc, readings bool) {
	s.t.Helper()
	within(s.t, 10*time.Minute, "a monitor watches again", func() bool {
		var h health
		if !p.get("/healthz", &h) || len(h.Links) != 1 || h.Links[0].State != "subscribed" && h.Links[0].State != "quiet" {
			return false
		}
		var ready struct{ Watching bool }
		return !readings || p.get("/readyz", &ready) && ready.Watching
	})
}

func (s *soak) run(length time.Duration) {
	began := time.Now()
	next := began.Add(length / 20)
	for time.Since(began) < length {
		if time.Now().After(next) {
			s.fault()
			next = time.Now().Add(time.Duration(10+s.draw.IntN(20)) * time.Second)
		}
		s.page()
		s.sample(time.Since(began))
		time.Sleep(5 * time.Second)
	}
	s.watching(s.first, true)
	s.watching(s.second, true)
	s.sample(time.Since(began))
	s.rigs.end()
	time.Sleep(3 * time.Second) // what the broker still has is taken
}

// fault provokes one, and waits until all is watched again.
func (s *soak) fault() {
	if len(s.drawn) == 0 { // each once, then anew in another order
		s.drawn = []string{"broker killed", "broker frozen", "historian killed", "historian frozen", "flood", "second monitor killed"}
		if s.disk != "" {
			s.drawn = append(s.drawn, "disk full")
		}
		s.draw.Shuffle(len(s.drawn), func(i, j int) { s.drawn[i], s.drawn[j] = s.drawn[j], s.drawn[i] })
	}
	what, long := s.drawn[0], time.Duration(1+s.draw.IntN(20))*time.Second
	s.drawn = s.drawn[1:]
	s.faults[what]++
	s.t.Logf("%s: %s for %v", time.Now().UTC().Format(time.TimeOnly), what, long)
	from := time.Now().Add(-5 * time.Second)
	lost := true
	switch what {
	case "broker killed":
		s.broker.kill()
		time.Sleep(long)
		s.broker.start()
	case "broker frozen":
		s.broker.freeze()
		time.Sleep(long)
		s.broker.thaw()
	case "historian killed":
		s.historian.kill()
		time.Sleep(long)
		s.historian.start()
		lost = false
	case "historian frozen":
		s.historian.freeze()
		time.Sleep(long)
		s.historian.thaw()
		lost = false
	case "disk full":
		free := fill(s.t, s.disk)
		time.Sleep(long)
		free()
		lost = false
	case "flood": // a thousand times its rate
		rig := fmt.Sprintf("R%d", 1+s.draw.IntN(soakRigs))
		s.rigs.set(func() { s.rigs.flood[rig] = 1000 })
		time.Sleep(min(long, 5*time.Second))
		s.rigs.set(func() { delete(s.rigs.flood, rig) })
		s.watching(s.first, true)
		s.flooded[rig] = append(s.flooded[rig], span{from, time.Now()})
		lost = false
	case "second monitor killed":
		s.second.kill()
		time.Sleep(long)
		s.second = s.monitor(1)
		lost = false
	}
	s.watching(s.first, true)
	s.watching(s.second, true)
	if lost {
		s.away = append(s.away, span{from, time.Now()})
	}
}

// page opens a page's socket, hears a little and goes, as people do.
func (s *soak) page() {
	url := "ws" + strings.TrimPrefix(s.first.address(), "http") + fmt.Sprintf("/ws/R%d", 1+s.draw.IntN(soakRigs))
	conn, r, err := websocket.DefaultDialer.Dial(url, nil)
	if err != nil {
		return
	}
	if r.StatusCode == http.StatusSwitchingProtocols {
		s.pages++
	}
	_ = conn.SetReadDeadline(time.Now().Add(2 * time.Second))
	_, _, _ = conn.ReadMessage()
	conn.Close()
}

func (s *soak) sample(at time.Duration) {
	own, err := askProbe(s.socket)
	if err != nil {
		s.t.Fatalf("the first monitor does not answer: %v\n%s", err, s.first.out)
	}
	pid := s.first.cmd.Process.Pid
	one := soakSample{at: at, own: own, handles: handles(pid), resident: residentKB(pid), readings: len(s.rigs.confirmed())}
	one.disk, one.wal = sizes(s.data[0])
	var h health
	if s.first.get("/healthz", &h) && h.Historian != nil {
		one.historians = h.Historian.Sent
	}
	s.samples = append(s.samples, one)
}

// judge holds the second half, after a warm-up of a tenth, against the first.
func (s *soak) judge() {
	t := s.t
	table, _ := json.Marshal(s.faults)
	t.Logf("faults: %s; pages opened: %d", table, s.pages)
	t.Log("   time  goroutines  heap KiB  handles  resident KiB  WAL KiB  disk KiB  readings  points")
	for i, one := range s.samples {
		if i%max(1, len(s.samples)/40) == 0 || i == len(s.samples)-1 {
			t.Logf("%7s  %10d  %8d  %7d  %12d  %7d  %8d  %8d  %d", one.at.Round(time.Second), one.own.Goroutines, one.own.Heap>>10,
				one.handles, one.resident, one.wal>>10, one.disk>>10, one.readings, one.historians)
		}
	}
	warm := s.samples[len(s.samples)/10:]
	if len(warm) < 10 {
		t.Fatalf("%d samples, want 10 at least", len(warm))
	}
	halves := [2][]soakSample{warm[:len(warm)/2], warm[len(warm)/2:]}
	for _, of := range []struct {
		name  string
		room  float64 // that the second median may be above the first
		value func(soakSample) float64
	}{
		{"goroutines", 10, func(o soakSample) float64 { return float64(o.own.Goroutines) }},
		{"heap, MiB", 6, func(o soakSample) float64 { return float64(o.own.Heap) / (1 << 20) }},
	} {
		first, second := median(halves[0], of.value), median(halves[1], of.value)
		t.Logf("%s: median %.1f in the first half, %.1f in the second", of.name, first, second)
		if !(second <= first+of.room) {
			t.Errorf("%s grew: median %.1f in the first half, %.1f in the second, want at most %g more", of.name, first, second, of.room)
		}
	}
	// Handles go up and down with the files that stay open for the moment: the most counts.
	handled := func(a, b soakSample) int { return cmp.Compare(a.handles, b.handles) }
	if first, second := slices.MaxFunc(halves[0], handled).handles, slices.MaxFunc(halves[1], handled).handles; second > first+15 {
		t.Errorf("handles grew: %d at most in the first half, %d in the second", first, second)
	} else {
		t.Logf("handles: %d at most in the first half, %d in the second", first, second)
	}
	// SQLite empties a log that has reached 1,000 pages of 4 KiB and keeps the file, so that
	// it is bounded, not flat, until each rig's has been so long once.
	const most = soakRigs * 5 << 20
	if got := slices.MaxFunc(s.samples, func(a, b soakSample) int { return cmp.Compare(a.wal, b.wal) }).wal; got > most {
		t.Errorf("write-ahead logs of %d MiB, want %d at most", got>>20, most>>20)
	}
	perReading := func(half []soakSample) float64 {
		a, b := half[0], half[len(half)-1]
		return float64(b.disk-a.disk) / float64(b.readings-a.readings)
	}
	first, second := perReading(halves[0]), perReading(halves[1])
	t.Logf("disk: %.0f bytes a reading in the first half, %.0f in the second", first, second)
	if !(second <= 1.3*first+50) {
		t.Errorf("disk: %.0f bytes a reading in the first half, %.0f in the second", first, second)
	}
	s.judgeReadings()
}

// judgeReadings holds what the first monitor recorded against what the broker confirmed.
func (s *soak) judgeReadings() {
	_ = s.first.cmd.Process.Signal(os.Interrupt)
	if code := s.first.ended(s.t); code != exitGood {
		s.t.Errorf("the first monitor's exit %d: %s", code, s.first.out)
	}
	all := recorded(s.t, s.data[0])
	var lost, away, twice int
	for _, rig := range s.rigs.rigs {
		sent := slices.DeleteFunc(s.rigs.confirmed(), func(r deviceReading) bool { return r.rig != rig })
		in, out, two := account(sent, all, append(slices.Clone(s.away), s.flooded[rig]...)...)
		away, lost, twice = away+in, lost+out, twice+two
	}
	s.t.Logf("%d readings confirmed to the rigs: %d not recorded of times in which the broker was away or flooded, %d of other times, %d recorded twice",
		len(s.rigs.confirmed()), away, lost, twice)
	if lost > 0 || twice > 0 {
		s.t.Errorf("%d readings lost and %d recorded twice while nothing was wrong on their way", lost, twice)
	}
}

func median(of []soakSample, value func(soakSample) float64) float64 {
	var all []float64
	for _, one := range of {
		all = append(all, value(one))
	}
	slices.Sort(all)
	return all[len(all)/2]
}
