package watch_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/journal"
	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/ingest"

	"go.uber.org/goleak"
)

// killedDir and killedRun tell the test binary to work as a monitor that is killed.
const (
	killedDir = "HOISTWARD_TEST_ACTS"
	killedRun = "HOISTWARD_TEST_RUN"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(killedDir); dir != "" {
		if err := actUntilKilled(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
		}
		os.Exit(1)
	}
	goleak.VerifyTestMain(m)
}

// discard is a recorder that keeps nothing.
type discard struct{}

func (discard) Add(ingest.Entry) bool                                            { return true }
func (discard) AddEvent(string, uint64, time.Time, []byte) bool                  { return true }
func (discard) AddReject(string, time.Time, string, string, string, uint64) bool { return true }

// heightDecoder makes a sample of a payload that is the block's height.
type heightDecoder struct{}

func (heightDecoder) Decode(m *ingest.Message, out ingest.Sink) {
	h, err := strconv.ParseFloat(string(m.Payload), 64)
	if err != nil {
		panic(err)
	}
	s := ingest.Sample{Time: m.Received}
	s.Set(ingest.BlockHeight, ingest.Number(h))
	s.Set(ingest.HookLoad, ingest.Number(294.2e3))
	s.Set(ingest.DrumSpeed, ingest.Number(0))
	out.Sample("R1", &s)
}

// killable is a monitor of one rig with its journal and its saved state on disk.
type killable struct {
	loop  *watch.Loop
	at    time.Time
	clock atomic.Int64 // ns
	crown atomic.Pointer[alarms.Alarm]
}

func newKillable(dir string, at time.Time) (*killable, error) {
	path := filepath.Join(dir, "journal.jsonl")
	j, err := journal.Open(path, "R1", at)
	if err != nil {
		return nil, err
	}
	states := journal.OpenStates(dir, nil)
	text, lost, err := states.Load("R1", at, path)
	if err != nil {
		return nil, err
	}
	_, rig, err := configs.LoadRig("R1")
	if err != nil {
		return nil, err
	}
	k := &killable{at: at}
	k.clock.Store(at.UnixNano())
	k.loop, err = watch.NewLoop(watch.LoopOptions{
		Open: configs.OpenRig, Clock: func() time.Time { return time.Unix(0, k.clock.Load()).UTC() }, Tick: 20 * time.Millisecond,
		Sources:  []watch.Source{{Name: "heights", Decoder: heightDecoder{}}},
		Sessions: map[string]ingest.Session{"R1": {RigFile: string(rig), Alarms: text, StateLost: lost, Channels: []string{"block_height", "hook_load", "drum_speed"}}},
		Recorder: discard{}, Journal: j, States: states, Counters: &ingest.Counters{},
		Changed: k.look, Trouble: func(err error) { fmt.Fprintln(os.Stderr, err) },
	}, []string{"R1"})
	return k, err
}

func (k *killable) look(w *watch.Rig, _ *watch.Outcome) {
	for _, s := range w.Standing() {
		if s.Rule.Name == "crown_limit_passed" {
			k.crown.Store(&s.Alarm)
			return
		}
	}
	k.crown.Store(&alarms.Alarm{})
}

// read brings n readings of a height, 100 ms apart.
func (k *killable) read(ctx context.Context, height string, n int) {
	for range n {
		k.at = k.at.Add(100 * time.Millisecond)
		k.clock.Store(k.at.UnixNano())
		k.loop.Offer(ctx, watch.Message{Message: ingest.Message{Rig: "R1", Payload: []byte(height), Received: k.at}})
	}
}

// do acts, and says so on standard output once it is confirmed.
func (k *killable) do(ctx context.Context, act ingest.Act, confirmed string) error {
	act.Person = "I. Brandt"
	if err := k.loop.Act(ctx, "R1", act); err != nil {
		return fmt.Errorf("%s: %w", act.Do, err)
	}
	fmt.Println(confirmed)
	return nil
}

// actUntilKilled lets the crown limit be passed, acknowledges and resets it, and
// shelves and unshelves another alarm, again and again.
func actUntilKilled(dir string) error {
	run, err := strconv.Atoi(os.Getenv(killedRun))
	if err != nil {
		return err
	}
	k, err := newKillable(dir, epoch.Add(time.Duration(run)*time.Hour))
	if err != nil {
		return err
	}
	ctx := context.Background()
	go k.loop.Run(ctx)
	k.read(ctx, "30", 60)
	for n := run * 1000; err == nil; n++ {
		shelf := ingest.Act{Do: ingest.DoShelve, Alarm: "brake_hot", Reason: strconv.Itoa(n), Until: k.at.Add(5 * time.Hour)}
		err = errors.Join(k.do(ctx, shelf, fmt.Sprintf("shelved %d", n)), k.pass(ctx),
			k.do(ctx, ingest.Act{Do: ingest.DoUnshelve, Alarm: "brake_hot"}, fmt.Sprintf("unshelved %d", n)))
	}
	return err
}

func (k *killable) pass(ctx context.Context) error {
	k.read(ctx, "42", 12) // a height that steps is believed when it has stayed for a few readings
	name := func(do string) ingest.Act {
		a := k.crown.Load()
		return ingest.Act{Do: do, Alarm: "crown_limit_passed", Occurrence: a.Occurrence, Version: a.Version}
	}
	occurrence := k.crown.Load().Occurrence
	if a := k.crown.Load(); a.CanAcknowledge() {
		if err := k.do(ctx, name(ingest.DoAcknowledge), fmt.Sprintf("acknowledged %d", occurrence)); err != nil {
			return err
		}
	}
	k.read(ctx, "30", 50)
	return k.do(ctx, name(ingest.DoReset), fmt.Sprintf("reset %d", occurrence))
}

// Killed at any moment between an act and its confirmation, or anywhere else: what
// was confirmed is there after the restart.
func TestWhatWasConfirmedOutlivesAKill(t *testing.T) {
	t.Parallel()
	runs := 200
	if testing.Short() {
		runs = 10
	}
	dir := t.TempDir()
	random := rand.New(rand.NewPCG(3, 4))
	confirmed := 0
	for run := range runs {
		crown, shelf, n := killOnce(t, dir, run, random)
		confirmed += n
		checkAfterKill(t, dir, epoch.Add(time.Duration(run+1)*time.Hour), crown, shelf)
		if t.Failed() {
			t.Fatalf("run %d of %d", run, runs)
		}
	}
	t.Logf("%d kills, %d acts confirmed", runs, confirmed)
}

// killOnce runs the monitor, kills it a little after some confirmed act, and returns
// the last line confirmed of each alarm.
func killOnce(t *testing.T, dir string, run int, random *rand.Rand) (crown, shelf string, n int) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), killedDir+"="+dir, killedRun+"="+strconv.Itoa(run))
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	last, little := random.IntN(8)+1, time.Duration(random.IntN(6000))*time.Microsecond
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if strings.HasPrefix(lines.Text(), "acknowledged") || strings.HasPrefix(lines.Text(), "reset") {
			crown = lines.Text()
		} else {
			shelf = lines.Text()
		}
		if n++; n == last {
			time.AfterFunc(little, func() { _ = cmd.Process.Kill() })
		}
	}
	if err := cmd.Wait(); err == nil || n < last {
		t.Fatalf("run %d: the monitor ended by itself after %d acts: %v", run, n, err)
	}
	return crown, shelf, n
}

func checkAfterKill(t *testing.T, dir string, now time.Time, crown, shelf string) {
	t.Helper()
	states := journal.OpenStates(dir, func(err error) { t.Error(err) })
	text, lost, err := states.Load("R1", now, filepath.Join(dir, "journal.jsonl"))
	if err = errors.Join(err, states.Close(t.Context())); err != nil || lost != "" {
		t.Fatalf("lost %q: %v", lost, err)
	}
	saved, err := alarms.UnmarshalState([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	var what string
	var n uint64
	if crown != "" {
		if _, err := fmt.Sscanf(crown, "%s %d", &what, &n); err != nil {
			t.Fatal(err)
		}
		a := saved.Alarms[alarms.Key{Alarm: "crown_limit_passed"}]
		reset := a.State == alarms.Normal
		acknowledged := reset || (a.State == alarms.Acknowledged || a.State == alarms.LatchedAcknowledged) && a.AcknowledgedBy == "I. Brandt"
		if a.Occurrence < n || a.Occurrence == n && !(reset || what == "acknowledged" && acknowledged) {
			t.Errorf("%q was confirmed, the state says %+v", crown, a)
		}
	}
	if shelf != "" {
		if _, err := fmt.Sscanf(shelf, "%s %d", &what, &n); err != nil {
			t.Fatal(err)
		}
		a := saved.Alarms[alarms.Key{Alarm: "brake_hot"}]
		same, next := a.ShelvedWhy == strconv.FormatUint(n, 10), a.ShelvedWhy == strconv.FormatUint(n+1, 10)
		// One act more may be under way: it may be on disk or not.
		if !(what == "shelved" && (same || !a.Shelved()) || what == "unshelved" && (next || !a.Shelved())) {
			t.Errorf("%q was confirmed, the state says %+v", shelf, a)
		}
	}
}
