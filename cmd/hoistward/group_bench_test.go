package main

import (
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/jetstream"
	"hoistward/simulator"
	"hoistward/simulator/publish"
)

// BenchmarkGroup measures what rigs at 1 Hz cost three servers and three monitors, all on
// this machine: processor time and memory of each kind, how far the monitors are behind,
// and what a member's death adds. An iteration is a second. HOISTWARD_GROUP_RIGS sets the
// number of rigs, 3,000 where it does not. One simulated rig's readings go out as all
// rigs': what is sent is prepared beforehand.
func BenchmarkGroup(b *testing.B) {
	rigs := 3000
	if n, err := strconv.Atoi(os.Getenv("HOISTWARD_GROUP_RIGS")); err == nil {
		rigs = n
	}
	g := startGroup(b, rigs, 3)
	texts := oneRig(b)
	var clients []paho.Client
	for i, n := range g.nodes {
		c := paho.NewClient(paho.NewClientOptions().AddBroker(n.MQTT).SetClientID(fmt.Sprint("field-", i)).SetOrderMatters(false))
		if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
			b.Fatal(tok.Error())
		}
		b.Cleanup(func() { c.Disconnect(100) })
		clients = append(clients, c)
	}
	sent, second := 0, 0
	send := func() { // spread over a second
		begin := time.Now()
		for i, rig := range g.rigs {
			if i%30 == 0 {
				time.Sleep(time.Until(begin.Add(time.Duration(i) * time.Second / time.Duration(len(g.rigs)))))
			}
			text := `{"t":"` + time.Now().UTC().Format("2006-01-02T15:04:05.000Z") + `",` + texts[second%len(texts)]
			clients[i%len(clients)].Publish("hoist/"+rig+"/readings", 1, false, text)
			sent++
		}
		second++
		time.Sleep(time.Until(begin.Add(time.Second)))
	}
	for range 15 { // sessions, first snapshots
		send()
	}
	all := append(slices.Clone(g.servers), g.members...)
	before := make([]time.Duration, len(all))
	for i, p := range all {
		before[i] = p.processorTime(b)
	}
	begin, first := time.Now(), sent
	var behind []time.Duration
	var waiting int64
	for b.Loop() {
		send()
		for _, m := range g.members {
			var h groupHealth
			if m.get("/healthz", &h) && h.Played != "" {
				at, err := time.Parse(time.RFC3339, h.Played)
				if err != nil {
					b.Fatal(err)
				}
				behind = append(behind, time.Since(at))
				waiting = max(waiting, h.Waiting)
			}
		}
	}
	took := time.Since(begin)
	report := func(kind string, from, to int) {
		var cpu time.Duration
		var memory float64
		for i := from; i < to; i++ {
			cpu += all[i].processorTime(b) - before[i]
			memory += all[i].resident(b)
		}
		b.ReportMetric(100*cpu.Seconds()/took.Seconds(), kind+"-%core")
		b.ReportMetric(1e6*cpu.Seconds()/float64(sent-first), kind+"-µs/reading")
		b.ReportMetric(memory/1024/float64(to-from), kind+"-MiB/each")
	}
	report("servers", 0, 3)
	report("monitors", 3, 6)
	b.ReportMetric(float64(sent-first)/took.Seconds(), "readings/s")
	if len(behind) == 0 {
		b.Fatal("no member says how far it is")
	}
	slices.Sort(behind)
	b.ReportMetric(behind[len(behind)/2].Seconds(), "behind-s-p50")
	b.ReportMetric(behind[len(behind)-1].Seconds(), "behind-s-max")
	b.ReportMetric(float64(waiting), "waiting-max")
	stop := make(chan bool)
	go func() {
		defer close(stop)
		for time.Since(begin)-took < 25*time.Second {
			send()
		}
	}()
	b.Logf("%d rigs, %d readings a second; waiting at most %d, behind p50 %s", rigs, int(float64(sent-first)/took.Seconds()), waiting, behind[len(behind)/2])
	b.Cleanup(func() {
		if b.Failed() {
			for i, m := range g.members {
				b.Logf("m%d holds %v and says\n%s", i+1, m.held(), tail(m.out.String(), 1500))
			}
		}
	})
	died := time.Now()
	g.members[0].kill()
	within(b, 2*time.Minute, "all rigs are watched again", func() bool { return len(g.members[1].held())+len(g.members[2].held()) == jetstream.Partitions })
	b.ReportMetric(time.Since(died).Seconds(), "taken-over-s")
	<-stop
	if os.Getenv(profileDir) != "" {
		for _, p := range []*proc{g.members[1], g.servers[0]} {
			_ = p.cmd.Process.Signal(syscall.SIGQUIT)
			p.ended(b)
		}
	}
}

// oneRig is a rig's readings at 1 Hz, without their times.
func oneRig(b *testing.B) (texts []string) {
	rig, _, err := configs.LoadRig("R1")
	if err != nil {
		b.Fatal(err)
	}
	sc, err := simulator.LoadScenario("tripping")
	if err != nil {
		b.Fatal(err)
	}
	sc.Rate = 1
	run, err := simulator.New(rig, sc, 1)
	if err != nil {
		b.Fatal(err)
	}
	run.Start(time.Now())
	var s ingest.Sample
	var truth simulator.Truth
	for len(texts) < 120 && run.Next(&s, &truth) {
		_, rest, _ := strings.Cut(string(publish.Append(nil, &s)), ",")
		texts = append(texts, rest)
	}
	return texts
}

func (p *proc) processorTime(b *testing.B) time.Duration {
	return (&child{cmd: p.cmd}).processorTime(b)
}

func (p *proc) resident(b *testing.B) float64 { return (&child{cmd: p.cmd}).resident(b) }

func tail(s string, most int) string { return s[max(0, len(s)-most):] }
