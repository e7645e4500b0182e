package dashboard_test

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/gorilla/websocket"
)

// BenchmarkFanOut is what the server spends on its pages, over real sockets, ten times a
// second; the pages are in a process of their own, so that the processor time of this one
// is the server's and that of making the snapshots. An operation is a tenth of a second.
//
//	core-%       of one core, all of it
//	core-%/page  what one more page adds: less the same without pages, by their number
//	B/page       sent to one page in each operation
func BenchmarkFanOut(b *testing.B) {
	for _, kind := range []struct {
		name string
		path string
		rigs int
	}{{"cabin", "rig-00", 1}, {"fleet-of-40", "fleet", 40}} {
		var without float64
		for _, pages := range []int{0, 1, 10, 100, 500} {
			b.Run(fmt.Sprintf("%s/pages=%d", kind.name, pages), func(b *testing.B) {
				core := fanOut(b, kind.path, kind.rigs, pages)
				if pages == 0 {
					without = core
					return
				}
				b.ReportMetric((core-without)/float64(pages), "core-%/page")
			})
		}
	}
}

func fanOut(b *testing.B, path string, rigs, pages int) (core float64) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	s := dashboard.New(dashboard.Options{})
	publish := func(seq uint64) {
		for i := range rigs {
			snap := lowering(seq, time.Now())
			snap.Rig = fmt.Sprintf("rig-%02d", i)
			s.Publish(snap)
		}
	}
	publish(1)
	ctx, cancel := context.WithCancel(b.Context())
	served := make(chan error, 1)
	go func() { served <- s.Serve(ctx, ln) }()
	stop := readers(b, "ws://"+ln.Addr().String()+"/ws/"+path, pages)
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	before, start := spent(b), time.Now()
	for seq := uint64(2); b.Loop(); seq++ {
		<-tick.C
		publish(seq)
	}
	core = 100 * (spent(b) - before).Seconds() / time.Since(start).Seconds()
	b.ReportMetric(core, "core-%")
	if n := s.Figures().Slow; n > 0 {
		b.Errorf("%d pages were dropped", n)
	}
	cancel()
	if err := <-served; err != nil {
		b.Error(err)
	}
	if total := stop(); pages > 0 {
		b.ReportMetric(float64(total)/float64(pages*b.N), "B/page")
	}
	return core
}

// spent is the processor time of this process so far.
func spent(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// readers starts a process with so many pages and returns when all are connected; stop
// waits for their end, which is the server's, and returns how many bytes they got.
func readers(b *testing.B, url string, pages int) (stop func() int64) {
	if pages == 0 {
		return func() int64 { return 0 }
	}
	cmd := exec.Command(os.Args[0], "-test.run=^TestReadersOfTheBenchmark$", "-test.v")
	cmd.Env = append(os.Environ(), "HOISTWARD_READERS="+strconv.Itoa(pages)+" "+url)
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	said := func(word string) string {
		for lines.Scan() {
			if _, rest, found := strings.Cut(lines.Text(), word); found {
				return strings.TrimSpace(rest)
			}
		}
		b.Fatalf("the readers ended before they said %q", word)
		return ""
	}
	said("readers ready")
	return func() int64 {
		n, err := strconv.ParseInt(said("readers got "), 10, 64)
		if err != nil {
			b.Error(err)
		}
		for lines.Scan() {
		}
		if err := cmd.Wait(); err != nil {
			b.Errorf("readers: %v", err)
		}
		return n
	}
}

// TestReadersOfTheBenchmark is the other process of BenchmarkFanOut.
func TestReadersOfTheBenchmark(t *testing.T) {
	order := os.Getenv("HOISTWARD_READERS")
	if order == "" {
		t.Skip("only for BenchmarkFanOut")
	}
	count, url, _ := strings.Cut(order, " ")
	pages, err := strconv.Atoi(count)
	if err != nil {
		t.Fatal(err)
	}
	got := make(chan int64, pages)
	for range pages {
		conn, _, err := websocket.DefaultDialer.Dial(url, nil)
		if err != nil {
			t.Fatal(err)
		}
		go func() {
			defer conn.Close()
			n := int64(0)
			for {
				_, text, err := conn.ReadMessage()
				if err != nil {
					got <- n
					return
				}
				n += int64(len(text))
			}
		}()
	}
	fmt.Println("readers ready")
	total := int64(0)
	for range pages {
		total += <-got
	}
	fmt.Println("readers got", total)
}
