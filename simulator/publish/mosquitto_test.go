package publish

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// mosquitto returns the path of the broker, or skips; with HOISTWARD_TOOLS set to
// "required" a missing one is a failure.
func mosquitto(t *testing.T) string {
	t.Helper()
	for _, dir := range append(filepath.SplitList(os.Getenv("PATH")), "/usr/sbin") {
		path := filepath.Join(dir, "mosquitto")
		if info, err := os.Stat(path); err == nil && !info.IsDir() {
			return path
		}
	}
	if os.Getenv("HOISTWARD_TOOLS") == "required" {
		t.Fatal("mosquitto is not here, and HOISTWARD_TOOLS=required")
	}
	t.Skip("mosquitto is not here")
	return ""
}

// listen starts mosquitto on port and returns how to kill it.
func listen(t *testing.T, path string, port int) (kill func()) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\npersistence false\n", port)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "-c", file)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	done := false
	kill = func() {
		if !done {
			done = true
			_ = cmd.Process.Kill()
			_ = cmd.Wait()
		}
	}
	t.Cleanup(kill)
	until(t, "mosquitto listens", func() bool {
		c, err := net.DialTimeout("tcp", fmt.Sprintf("127.0.0.1:%d", port), time.Second)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	return kill
}

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// A broker that is not ours dies in the middle and comes back: what could not be
// sent is counted, the run goes on, and messages arrive again.
func TestForeignBrokerDiesAndComesBack(t *testing.T) {
	path := mosquitto(t)
	port := freePort(t)
	url := fmt.Sprintf("tcp://127.0.0.1:%d", port)
	kill := listen(t, path, port)
	c, err := New(Options{Broker: url, ClientID: "sim-m"})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.WaitConnected(t.Context()); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	played := make(chan error, 1)
	run := play(t, "trip-out", 0)
	go func() { played <- c.Play(ctx, "R1", run, nil) }()
	until(t, "some acknowledged", func() bool { return c.Stats().Acknowledged >= 5 })
	kill()
	until(t, "some dropped", func() bool { return c.Stats().Dropped >= 3 })
	before := c.Stats().Acknowledged
	listen(t, path, port)
	got := subscriber(t, url, "hoist/R1/readings")
	until(t, "acknowledged again", func() bool { return c.Stats().Acknowledged >= before+5 && len(got()) >= 5 })
	cancel()
	if err := <-played; err != context.Canceled {
		t.Errorf("Play returned %v", err)
	}
	if err := c.Close(5 * time.Second); err != nil {
		t.Error(err)
	}
}
