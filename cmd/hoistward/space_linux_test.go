package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"hoistward/configs"
	"hoistward/simulator"
)

// The data folder is on a small disk of its own: another program fills it, which is an
// alarm, and it ends when there is room again. Recording goes on all the while.
func TestLittleSpaceIsAnAlarm(t *testing.T) {
	l := &liveRun{t: t, dir: t.TempDir()}
	disk := filepath.Join(l.dir, "disk")
	if err := os.Mkdir(disk, 0o755); err != nil {
		t.Fatal(err)
	}
	err := syscall.Mount("tmpfs", disk, "tmpfs", 0, "size=64m")
	if errors.Is(err, syscall.EPERM) {
		t.Skip("only root may mount a small disk to fill")
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(disk, 0); err != nil {
			t.Error(err)
		}
	})
	l.broker = startBroker(t, l.dir)
	l.undo.add("broker", l.broker.Stop)
	sc, err := simulator.LoadScenario("overhoist")
	if err != nil {
		t.Fatal(err)
	}
	cmd := demoCmd{Rigs: 1, Listen: "127.0.0.1:0"}
	if l.site, err = cmd.site(disk, l.broker.URL(), sc); err != nil {
		t.Fatal(err)
	}
	l.site.Record = configs.Recording{FreeMB: 24}
	const speed = 10 // of the station's clock; with more, ticks are too far apart
	l.st = &station{site: l.site, clock: monotone(time.Now(), speed), log: zap.NewNop()}
	if err := l.st.start(&l.undo); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.stop)
	line := func(event string) bool {
		_ = l.st.journal.Flush()
		b, err := os.ReadFile(filepath.Join(l.site.Data, journalFile))
		if err != nil {
			t.Fatal(err)
		}
		for s := range strings.SplitSeq(string(b), "\n") {
			if strings.Contains(s, `"alarm":"recording_space_low"`) && strings.Contains(s, `"event":"`+event+`"`) {
				return true
			}
		}
		return false
	}
	filler := filepath.Join(disk, "filler")
	if err := os.WriteFile(filler, bytes.Repeat([]byte{1}, 44<<20), 0o644); err != nil {
		t.Fatal(err)
	}
	until(t, "the alarm", func() bool { return line("raised") })
	if s := l.st.recorder.Status(); !s.LowSpace || len(s.Failing) > 0 {
		t.Errorf("got status %+v, want little space, and recording going on", s)
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	until(t, "its end", func() bool { return line("cleared") })
}
