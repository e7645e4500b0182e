package notify

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"hoistward/alarms"
)

// horn returns a bench whose command is a script.
func horn(t *testing.T, script string, change func(*Command)) *bench {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "horn")
	if err := os.WriteFile(path, []byte("#!/bin/sh\ncd "+dir+"\n"+script), 0o700); err != nil {
		t.Fatal(err)
	}
	return newBench(t, dir, func(o *Options) {
		o.Annunciator = &Command{Argv: []string{path, "--loud; touch injected"}, Timeout: time.Minute, AtOnce: 1, Least: alarms.High}
		if change != nil {
			change(o.Annunciator)
		}
	}).start()
}

func (b *bench) text(name string) string {
	text, _ := os.ReadFile(filepath.Join(b.dir, name)) // absent = empty
	return string(text)
}

// The command gets the alarm on its standard input and in its environment, and its
// arguments as they stand.
func TestCommandIsTold(t *testing.T) {
	x := horn(t, `cat > in; echo "$1 $HOISTWARD_RIG $HOISTWARD_ALARM $HOISTWARD_PRIORITY $HOISTWARD_EVENT $HOISTWARD_ALSO" > env.new; mv env.new env`, nil)
	defer x.stop()
	for _, e := range []struct {
		p alarms.Priority
		k alarms.EventKind
		s alarms.State
	}{
		{alarms.Medium, alarms.EventRaised, alarms.Unacknowledged}, {alarms.Emergency, alarms.EventRaised, alarms.Shelved},
		{alarms.Emergency, alarms.EventCleared, alarms.LatchedUnacknowledged}, {alarms.High, alarms.EventEased, alarms.Unacknowledged},
	} {
		x.raise(func(v *alarms.Event) { v.Priority, v.Event, v.State, v.Reason = e.p, e.k, e.s, "not for the horn" })
	}
	x.raise(func(e *alarms.Event) { e.Event, e.Reason = alarms.EventWorsened, `words "with" all $(touch injected)` })
	until(t, "the command", func() bool { return x.text("env") != "" })
	if got, want := x.text("env"), "--loud; touch injected R1 brake_very_hot high worsened 0\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	var in map[string]any
	if err := json.Unmarshal([]byte(x.text("in")), &in); err != nil || in["reason"] != `words "with" all $(touch injected)` || in["site"] != "northfell" || in["response"] == "" || in["title"] == "" || in["value"] != 351.0 {
		t.Errorf("%v: standard input %s", err, x.text("in"))
	}
	if x.text("injected") != "" {
		t.Error("a shell was between")
	}
	until(t, "the status", func() bool { return x.status("annunciator").Sent == 1 })
	if s := x.status("annunciator"); s.State != Delivering || s.Coalesced != 0 {
		t.Errorf("status %+v", s)
	}
}

// A command that fails is counted and shown with its words.
func TestCommandFails(t *testing.T) {
	x := horn(t, `echo "no speaker" >&2; exit 3`, nil)
	defer x.stop()
	x.raise(nil)
	until(t, "the failure", func() bool { return x.status("annunciator").State == Failing })
	if s := x.status("annunciator"); s.Failures != 1 || !strings.Contains(s.Detail, "exit status 3: no speaker") {
		t.Errorf("status %+v", s)
	}
	until(t, "word of it", func() bool { x.told.Lock(); defer x.told.Unlock(); return x.told.failing })
}

// A command that hangs is killed with all that it started; one that ends leaves
// nothing behind either.
func TestCommandIsKilledWithItsGroup(t *testing.T) {
	for name, script := range map[string]string{
		"hangs":  "sleep 600 & echo $! > child; wait",
		"leaves": "sleep 600 & echo $! > child",
		"floods": "sleep 600 & echo $! > child; yes",
	} {
		t.Run(name, func(t *testing.T) {
			x := horn(t, script, func(c *Command) { c.Timeout = 500 * time.Millisecond })
			defer x.stop()
			x.raise(nil)
			until(t, "the end", func() bool { return x.status("annunciator").Sent == 1 })
			pid, err := strconv.Atoi(strings.TrimSpace(x.text("child")))
			if err != nil {
				t.Fatal(err)
			}
			until(t, "its child to be gone", func() bool { return dead(pid) })
			s := x.status("annunciator")
			if hung := name != "leaves"; hung != (s.State == Failing) || hung != strings.Contains(s.Detail, "killed with its process group") {
				t.Errorf("status %+v", s)
			}
		})
	}
}

// dead tells whether a process is gone, or only waits to be collected.
func dead(pid int) bool {
	if syscall.Kill(pid, 0) != nil {
		return true
	}
	stat, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	return err == nil && strings.Contains(string(stat), ") Z ")
}

// While one runs, the most urgent of what comes waits, the newest of equals, and says
// how many it stands for; handing on an event never waits.
func TestCommandsAreCoalesced(t *testing.T) {
	x := horn(t, `echo "$HOISTWARD_PRIORITY $HOISTWARD_ALSO $(cat)" >> told; while [ ! -e go ]; do sleep 0.01; done`, nil)
	defer x.stop()
	x.raise(nil)
	until(t, "the first", func() bool { return x.text("told") != "" })
	for range 500 {
		x.raise(nil)
	}
	x.raise(func(e *alarms.Event) { e.Priority = alarms.Emergency })
	x.raise(func(e *alarms.Event) { e.Priority, e.Reason = alarms.Emergency, "the newest emergency" })
	for range 500 {
		x.raise(nil)
	}
	if err := os.WriteFile(filepath.Join(x.dir, "go"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	until(t, "both", func() bool { return x.status("annunciator").Sent == 2 })
	lines := strings.Split(strings.TrimSpace(x.text("told")), "\n")
	if len(lines) != 2 || !strings.HasPrefix(lines[1], "emergency 1001 ") || !strings.Contains(lines[1], "the newest emergency") {
		t.Errorf("told %d times, the second time of %.200s", len(lines), lines[len(lines)-1])
	}
	if s := x.status("annunciator"); s.Coalesced != 1001 {
		t.Errorf("coalesced %d, want 1001", s.Coalesced)
	}
}

// What sounds when the monitor starts is told of once; what was acknowledged is not.
func TestCommandAtTheStart(t *testing.T) {
	x := horn(t, `cat >> told`, nil)
	defer x.stop()
	e := alarms.Event{Time: time.Now(), Rig: "R1", Alarm: "brake_creep", State: alarms.Acknowledged, Priority: alarms.Emergency, Occurrence: 3, Version: 9}
	x.n.horn.begin(standingOf(&e, 0))
	e.Alarm, e.State = "overload", alarms.Unacknowledged
	x.n.horn.begin(standingOf(&e, 0))
	until(t, "the command", func() bool { return x.status("annunciator").Sent == 1 })
	if got := x.text("told"); !strings.Contains(got, `"alarm":"overload"`) || strings.Contains(got, "brake_creep") {
		t.Errorf("told of %s", got)
	}
}
