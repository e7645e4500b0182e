package replay

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"hoistward/configs"
)

// One run is played at a time, few wait, and more are refused; a cancelled one makes room.
func TestTheQueueIsBounded(t *testing.T) {
	dir := t.TempDir()
	recorded(t, dir, "overhoist", 5*time.Second, nil)
	release := make(chan struct{})
	b := newBench(t, Options{Library: NewLibrary(dir), Waiting: 2})
	b.desk.o.Set = func(text []byte, settings []string) ([]byte, error) {
		<-release
		return configs.Set(text, "drawworks.drive.release", "0.5 s")
	}
	q := fmt.Sprintf(`{"kind":"what-if","recordings":[%q],"set":["drawworks.drive.release=0.5s"]}`, b.only().ID)
	var ids []string
	for len(ids) < 3 { // one is taken by the worker when it gets to it
		w := b.ask("POST", "/api/replay/runs", q)
		if w.Code == 202 {
			ids = append(ids, strings.Split(w.Body.String(), `"`)[3])
		} else if len(ids) < 2 {
			t.Fatalf("got %d %s, want it taken", w.Code, w.Body)
		}
	}
	for deadline := time.Now().Add(10 * time.Second); ; {
		r, _ := b.desk.get(ids[0])
		if r.State == stateRunning {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("the first run is not under way")
		}
	}
	w := b.ask("POST", "/api/replay/runs", q)
	if w.Code != 503 || w.Header().Get("Retry-After") == "" || !strings.Contains(w.Body.String(), "waiting already") {
		t.Errorf("one more: got %d %s, want 503 with Retry-After", w.Code, w.Body)
	}
	if w := b.ask("DELETE", "/api/replay/runs/"+ids[1], ""); w.Code != 204 {
		t.Errorf("cancel: got %d", w.Code)
	}
	close(release)
	if r := b.wait(ids[2]); r.State != stateDone {
		t.Errorf("the last is %s %s, want it done", r.State, r.Error)
	}
	if w := b.ask("GET", "/api/replay/runs/"+ids[1], ""); w.Code != 404 {
		t.Errorf("the cancelled one: got %d, want 404", w.Code)
	}
}

// What nobody asks for is forgotten, and the oldest first when there is too much.
func TestResultsExpire(t *testing.T) {
	dir := t.TempDir()
	recorded(t, dir, "overhoist", 30*time.Second, nil)
	now := begin
	b := newBench(t, Options{Library: NewLibrary(dir), Now: func() time.Time { return now }, Keep: time.Minute})
	q := fmt.Sprintf(`{"kind":"replay","recordings":[%q]}`, b.only().ID)
	first := b.run(q)
	now = now.Add(10 * time.Second)
	second := b.run(q)
	b.desk.mu.Lock()
	b.desk.expire(first.Result.Track.Bytes * 3 / 2) // room for one and a half
	b.desk.mu.Unlock()
	if _, ok := b.desk.get(first.ID); ok {
		t.Error("the older result is still kept, want it dropped for room")
	}
	if _, ok := b.desk.get(second.ID); !ok {
		t.Error("the newer result is dropped, want it kept")
	}
	now = now.Add(61 * time.Second)
	b.desk.mu.Lock()
	b.desk.expire(1 << 30)
	b.desk.mu.Unlock()
	if _, ok := b.desk.get(second.ID); ok {
		t.Error("a result that nobody asked for in a minute is kept")
	}
}

// A run that is too large for its bound ends early and says to where it came.
func TestTooLongARecordingSaysSo(t *testing.T) {
	dir := t.TempDir()
	recorded(t, dir, "tripping", 30*time.Minute, nil)
	b := newBench(t, Options{Library: NewLibrary(dir), RunBytes: 2 << 20})
	r := b.run(fmt.Sprintf(`{"kind":"replay","recordings":[%q]}`, b.only().ID))
	if r.State != stateDone || len(r.Problems) != 1 || !strings.Contains(r.Problems[0], "choose a shorter window") {
		t.Fatalf("got %s with %q, want it done and the bound said", r.State, r.Problems)
	}
	if n := r.Result.Track.Bytes; n > 3<<20 || r.Result.Track.To >= begin.Add(29*time.Minute).UnixMilli() {
		t.Errorf("got %d bytes up to %d, want about 2 MiB and an early end", n, r.Result.Track.To)
	}
}

// A change that spoils the rig file fails the run with the file reader's words.
func TestABadSettingIsSaid(t *testing.T) {
	dir := t.TempDir()
	recorded(t, dir, "overhoist", 5*time.Second, nil)
	b := newBench(t, Options{Library: NewLibrary(dir)})
	for set, want := range map[string]string{
		"brakes.service.friction=-1": "brakes.service.friction", "drawworks.drive.releas=1s": "drawworks.drive.releas",
	} {
		r := b.run(fmt.Sprintf(`{"kind":"what-if","recordings":[%q],"set":[%q]}`, b.only().ID, set))
		if r.State != stateFailed || !strings.Contains(r.Error, want) {
			t.Errorf("%s: got %s %q, want it failed about %s", set, r.State, r.Error, want)
		}
	}
}
