package broker

import (
	"context"
	"net"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
)

func TestStopsWithinThreeSecondsAndFreesThePort(t *testing.T) {
	b, err := Start(t.Context(), t.TempDir(), zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(b.URL(), "tcp://127.0.0.1:") || strings.HasSuffix(b.URL(), ":0") {
		t.Errorf("address %s, want a port on loopback", b.URL())
	}
	conn, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	began := time.Now()
	if err := b.Stop(context.Background()); err != nil {
		t.Fatal(err)
	}
	if took := time.Since(began); took > 3*time.Second {
		t.Errorf("stop took %v, want at most 3 s", took)
	}
	l, err := net.Listen("tcp", b.Addr())
	if err != nil {
		t.Fatalf("port not free after stop: %v", err)
	}
	l.Close()
}

func TestPortInUseIsAnErrorNotAnExit(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	b, err := Start(t.Context(), t.TempDir(), zap.NewNop(), Port(l.Addr().(*net.TCPAddr).Port))
	if err == nil {
		b.Stop(context.Background())
		t.Fatal("started on a port in use")
	}
	if !strings.Contains(err.Error(), "address already in use") {
		t.Errorf("got %q, want it to say that the address is in use", err)
	}
}

func TestTwoBrokersSideBySide(t *testing.T) {
	var urls []string
	for range 2 {
		b, err := Start(t.Context(), t.TempDir(), zap.NewNop())
		if err != nil {
			t.Fatal(err)
		}
		defer b.Stop(context.Background())
		urls = append(urls, b.URL())
	}
	if urls[0] == urls[1] {
		t.Errorf("both at %s", urls[0])
	}
}
