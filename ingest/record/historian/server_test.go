package historian

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// builds are the servers to test with: the modules under testdata/servers say which
// versions. They are built once, into the user's cache folder.
var builds = map[string]struct{ folder, module string }{
	"victoria-metrics": {"victoriametrics", "github.com/VictoriaMetrics/VictoriaMetrics/app/victoria-metrics"},
	"influxd":          {"influxd", "github.com/influxdata/influxdb/cmd/influxd"},
}

var building sync.Mutex

// program returns the path of a server. With HOISTWARD_TOOLS=required it is built
// where it is missing; else the test is skipped, as that takes minutes.
func program(t *testing.T, name string) string {
	t.Helper()
	building.Lock()
	defer building.Unlock()
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(cache, "hoistward-servers", name)
	if _, err := os.Stat(path); err == nil {
		return path
	}
	b := builds[name]
	build := []string{"build", "-C", filepath.Join("..", "..", "..", "testdata", "servers", b.folder), "-trimpath", "-o", path, b.module}
	if os.Getenv("HOISTWARD_TOOLS") != "required" {
		t.Skipf("%s is not there; CGO_ENABLED=0 go %s", path, strings.Join(build, " "))
	}
	cmd := exec.Command("go", build...)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("go %s: %v: %s", strings.Join(build, " "), err, out)
	}
	return path
}

// server is a historian that runs, or does not for the moment.
type server struct {
	t       *testing.T
	path    string
	args    []string
	url     string
	ready   string // path that answers when it is
	cmd     *exec.Cmd
	exited  chan struct{}
	export  func() table
	exactNs bool
}

func freePort(t *testing.T) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

func (s *server) up() {
	s.t.Helper()
	s.cmd = exec.Command(s.path, s.args...)
	s.exited = make(chan struct{})
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	go func(cmd *exec.Cmd, done chan struct{}) { cmd.Wait(); close(done) }(s.cmd, s.exited)
	eventually(s.t, s.path+" answers", func() bool {
		resp, err := http.Get(s.url + s.ready)
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode/100 == 2
	})
}

// down stops the server as its keeper would.
func (s *server) down() {
	if s.cmd == nil {
		return
	}
	s.cmd.Process.Signal(syscall.SIGINT)
	select {
	case <-s.exited:
	case <-time.After(time.Minute):
		s.cmd.Process.Kill()
		<-s.exited
	}
	s.cmd = nil
	http.DefaultClient.CloseIdleConnections()
}

func (s *server) get(path string, q url.Values) []byte {
	s.t.Helper()
	resp, err := http.PostForm(s.url+path, q)
	if err != nil {
		s.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode/100 != 2 {
		s.t.Fatalf("%s: %s %v: %s", path, resp.Status, err, b)
	}
	return b
}

func victoria(t *testing.T) *server {
	at := freePort(t)
	s := &server{t: t, path: program(t, "victoria-metrics"), url: "http://" + at, ready: "/health"}
	s.args = []string{"-storageDataPath=" + t.TempDir(), "-httpListenAddr=" + at, "-retentionPeriod=100y",
		"-dedup.minScrapeInterval=1ms", "-memory.allowedBytes=200MB", "-loggerLevel=ERROR"}
	s.export = s.exportVictoria
	t.Cleanup(s.down)
	return s
}

// exportVictoria reads back all series of hoist and alarm, of which a text is 0.
func (s *server) exportVictoria() table {
	s.t.Helper()
	s.get("/internal/force_flush", nil)
	all := table{}
	lines := bufio.NewScanner(strings.NewReader(string(s.get("/api/v1/export", url.Values{"match[]": {`{__name__=~"hoist_.*"}`}, "start": {"0"}, "end": {"2030-01-01T00:00:00Z"}}))))
	lines.Buffer(nil, 1<<30)
	for lines.Scan() {
		var l struct {
			Metric     map[string]string
			Values     []float64
			Timestamps []int64
		}
		if err := json.Unmarshal(lines.Bytes(), &l); err != nil {
			s.t.Fatal(err)
		}
		series := "hoist,rig=" + l.Metric["rig"] + " " + strings.TrimPrefix(l.Metric["__name__"], "hoist_")
		for i, ms := range l.Timestamps {
			id := value{series, ms * 1e6}
			if _, twice := all[id]; twice {
				s.t.Errorf("%s at %d: there twice", series, ms)
			}
			all[id] = l.Values[i]
		}
	}
	return all
}

func influx(t *testing.T) *server {
	at, backup := freePort(t), freePort(t)
	dir := t.TempDir()
	s := &server{t: t, path: program(t, "influxd"), url: "http://" + at, ready: "/ping", exactNs: true}
	config := fmt.Sprintf("reporting-disabled = true\nbind-address = %q\n[meta]\n dir = %q\n[data]\n dir = %q\n wal-dir = %q\n"+
		"[http]\n bind-address = %q\n log-enabled = false\n max-row-limit = 0\n[monitor]\n store-enabled = false\n[logging]\n level = \"error\"\n",
		backup, filepath.Join(dir, "meta"), filepath.Join(dir, "data"), filepath.Join(dir, "wal"), at)
	path := filepath.Join(dir, "influxd.conf")
	if err := os.WriteFile(path, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	s.args = []string{"-config", path}
	s.export = s.exportInflux
	t.Cleanup(s.down)
	return s
}

func (s *server) create(statement string) {
	s.get("/query", url.Values{"q": {statement}})
}

func (s *server) exportInflux() table {
	s.t.Helper()
	all := table{}
	dec := json.NewDecoder(strings.NewReader(string(s.get("/query", url.Values{"db": {"hoist"}, "epoch": {"ns"}, "q": {"SELECT * FROM hoist GROUP BY rig"}}))))
	dec.UseNumber()
	var answer struct {
		Results []struct {
			Error  string
			Series []struct {
				Tags    map[string]string
				Columns []string
				Values  [][]any
			}
		}
	}
	if err := dec.Decode(&answer); err != nil {
		s.t.Fatal(err)
	}
	for _, r := range answer.Results {
		if r.Error != "" {
			s.t.Fatal(r.Error)
		}
		for _, series := range r.Series {
			for _, row := range series.Values {
				ns, err := row[0].(json.Number).Int64()
				if err != nil {
					s.t.Fatal(err)
				}
				for i, v := range row[1:] {
					if n, ok := v.(json.Number); ok {
						x, err := n.Float64()
						if err != nil {
							s.t.Fatal(err)
						}
						all[value{"hoist,rig=" + series.Tags["rig"] + " " + series.Columns[i+1], ns}] = x
					}
				}
			}
		}
	}
	return all
}

// cut returns what a server without nanoseconds has.
func (s *server) cut(all table) table {
	if s.exactNs {
		return all
	}
	t := table{}
	for id, v := range all {
		t[value{id.series, id.ns / 1e6 * 1e6}] = v
	}
	return t
}

// tolerance: VictoriaMetrics keeps numbers as decimals, of 12 digits at least as this
// test has found; InfluxDB keeps them to the bit.
func (s *server) tolerance() float64 {
	if s.exactNs {
		return 0
	}
	return 1e-11
}

// The historian is down for a day of recording; the monitor is restarted in the
// middle of it; then the historian comes back. Every point is there once.
func TestADayWithoutTheHistorian(t *testing.T) {
	for name, open := range map[string]func(*testing.T) *server{"VictoriaMetrics": victoria, "InfluxDB 1.8": influx} {
		t.Run(name, func(t *testing.T) { dayWithout(t, open(t)) })
	}
}

func dayWithout(t *testing.T, s *server) {
	seconds := 86400
	if testing.Short() {
		seconds = 7200
	}
	o := options(t, t.TempDir(), s.url)
	o.Timeout, o.Batch = 30*time.Second, 5000
	s.up()
	if s.exactNs {
		s.create("CREATE DATABASE hoist")
	}
	before := readings("R1", 0, 1000, time.Second)
	recordAll(t, o.Recordings, 1, before...)
	f := start(t, o)
	eventually(t, "the points before the outage", func() bool { st := f.Status(); return st.Behind == 0 && st.Sent >= 1000 })
	s.down()
	all := before
	for _, part := range [][2]int{{1000, seconds / 2}, {seconds / 2, seconds}} {
		more := readings("R1", part[0], part[1]-part[0], time.Second)
		recordAll(t, o.Recordings, uint64(part[0]+1), more...)
		all = append(all, more...)
		eventually(t, "the outage is told", func() bool { st := f.Status(); return st.State == "waiting" && st.Behind > time.Hour })
		stop(t, f) // the monitor is restarted
		f = start(t, o)
	}
	s.up()
	begun := time.Now()
	eventually(t, "all is there", func() bool {
		st := f.Status()
		return len(st.Rigs) == 1 && st.Rigs[0].Seq >= uint64(seconds)-1 && st.Behind == 0
	})
	took := time.Since(begun)
	stop(t, f)
	compare(t, s.export(), s.cut(wanted(all...)), s.tolerance())
	if r := refusedLines(t, o); r != "" {
		t.Errorf("put aside: %.300s", r)
	}
	t.Logf("%d readings in %s", seconds, took)
}

// A field that the database has as an integer is refused alone, by the server itself.
func TestInfluxKeepsWhatIsGood(t *testing.T) {
	s := influx(t)
	s.up()
	s.create("CREATE DATABASE hoist")
	resp, err := http.Post(s.url+"/write?db=hoist", "text/plain", strings.NewReader(fmt.Sprintf("hoist,rig=R1 hook_load=5i %d", noon.Add(-time.Second).UnixNano())))
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	o := options(t, t.TempDir(), s.url)
	o.Timeout = 30 * time.Second
	all := readings("R1", 0, 2000, time.Second)
	recordAll(t, o.Recordings, 1, all...)
	f := start(t, o)
	stop(t, f)
	want := table{value{"hoist,rig=R1 hook_load", noon.Add(-time.Second).UnixNano()}: 5}
	n := 0
	for id, v := range wanted(all...) {
		if strings.HasSuffix(id.series, " hook_load") {
			n++
		} else {
			want[id] = v
		}
	}
	compare(t, s.export(), want, 0)
	if st := f.Status(); int(st.Refused) != n || !strings.Contains(st.Words, "field type conflict") {
		t.Errorf("got %d refused with the words %q, want %d for a field type conflict", st.Refused, st.Words, n)
	}
}

// Without its database the server has nothing, until somebody makes it.
func TestInfluxWithoutItsDatabase(t *testing.T) {
	s := influx(t)
	s.up()
	o := options(t, t.TempDir(), s.url)
	o.Timeout = 30 * time.Second
	all := readings("R1", 0, 300, time.Second)
	recordAll(t, o.Recordings, 1, all...)
	f := start(t, o)
	eventually(t, "the refusal", func() bool {
		st := f.Status()
		return st.State == "refused" && strings.Contains(st.Error, "404") && strings.Contains(st.Error, "database not found")
	})
	s.create("CREATE DATABASE hoist")
	eventually(t, "all is there", func() bool { st := f.Status(); return st.Behind == 0 && st.Sent >= 300 })
	stop(t, f)
	compare(t, s.export(), wanted(all...), 0)
}
