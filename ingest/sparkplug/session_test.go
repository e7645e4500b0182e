package sparkplug

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"hoistward/ingest/sparkplug/spb"
)

const minus12 = 4294967284 // -12 as 32 bits of two's complement: 2³² - 12

func TestNegativeIntegerKeepsItsSignByTheBirthsDatatype(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(aliased(integer(named("Hoist/Counts", Int32), minus12), 5))
	s.want("R1 00.000 drum_counts=-12", "")
	for _, m := range []*spb.Metric{byAlias(5), plain("Hoist/Counts"), aliased(plain("Hoist/Counts"), 5)} {
		s.wait(100 * time.Millisecond)
		e.data(integer(m, minus12))
	}
	s.want("R1 00.100 drum_counts=-12 | R1 00.200 drum_counts=-12 | R1 00.300 drum_counts=-12", "")
}

func TestUInt32IsReadFromTheIntAndTheLongField(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(aliased(integer(named("Hoist/Counts", UInt32), minus12), 5))
	s.wait(time.Second)
	e.data(long(byAlias(5), minus12))
	s.want("R1 00.000 drum_counts=4.29496728e+09 | R1 01.000 drum_counts=4.29496728e+09", "")
}

func TestNumberWithoutDatatypeIsRefusedNotGuessed(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(aliased(integer(plain("Hoist/Counts"), minus12), 5), double(named("Hoist/Block", Double), 20))
	s.want("R1 00.000 block_height=20 drum_counts=wrong type", "unknown datatype: drum_counts")
	s.wait(time.Second)
	e.data(integer(byAlias(5), minus12))
	s.want("R1 01.000 drum_counts=wrong type", "unknown datatype: drum_counts")
	s.wait(time.Second)
	e.data(integer(named("Hoist/Hook Load", Int32), 85)) // a metric that no birth had
	s.want("", `waiting for birth: north/R1: "Hoist/Hook Load" was not in the birth`)
}

func TestDatatypeThatContradictsTheBirthIsRefused(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(integer(named("Hoist/Counts", Int32), 1))
	s.want("R1 00.000 drum_counts=1", "")
	s.wait(time.Second)
	e.data(integer(named("Hoist/Counts", UInt32), minus12))
	s.want("R1 01.000 drum_counts=wrong type", "wrong type: drum_counts")
}

func TestDataBeforeBirthIsShownAndAskedForOnceThenSeldom(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1", seq: 77}
	for range 100 {
		e.data(double(byAlias(5), 20))
		s.wait(99 * time.Millisecond)
	}
	if n := s.state("R1"); n.State != "waiting for birth" || n.Since != noon {
		t.Errorf("state %+v, want waiting for birth since noon", n)
	}
	s.wantRequests(1)
	if len(s.samples) > 0 {
		t.Errorf("samples from data before the birth: %v", s.samples)
	}
	if len(s.rejects) != 100 || s.rejects[0] != "waiting for birth: north/R1" {
		t.Errorf("%d rejects, first %q, want 100 of waiting for birth", len(s.rejects), s.rejects[0])
	}
	// Never answered: 10, 20, 40, 80, 160 s, then every 5 min.
	var at []string
	s.now = noon.Add(10 * time.Second)
	start := s.now
	for s.now.Sub(start) < 20*time.Minute {
		before := len(s.commands)
		e.data(double(byAlias(5), 20))
		if len(s.commands) > before {
			at = append(at, s.now.Sub(noon).Round(time.Second).String())
		}
		s.wait(time.Second)
	}
	if got, want := strings.Join(at, " "), "10s 30s 1m10s 2m30s 5m10s 10m10s 15m10s"; got != want {
		t.Errorf("requests after %s, want %s", got, want)
	}
	// Ours is read by an encoder that is not ours, and says what the standard asks for.
	c := s.commands[0]
	var p spb.Payload
	if err := proto.Unmarshal(c.Payload, &p); err != nil {
		t.Fatal(err)
	}
	m := p.GetMetrics()
	if c.Topic != "spBv1.0/north/NCMD/R1" || len(m) != 1 || m[0].GetName() != "Node Control/Rebirth" || m[0].GetDatatype() != uint32(Boolean) || !m[0].GetBooleanValue() {
		t.Errorf("request %s %v", c.Topic, &p)
	}
}

func TestBirthAnswersTheRequestAndDataFlow(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1", seq: 200}
	e.data(double(byAlias(5), 19))
	s.wantRequests(1)
	s.wait(100 * time.Millisecond)
	e.birth(aliased(double(named("Hoist/Block", Double), 20), 5))
	s.wait(100 * time.Millisecond)
	e.data(double(byAlias(5), 21))
	s.want("R1 00.100 block_height=20 | R1 00.200 block_height=21", "waiting for birth: north/R1")
	if n := s.state("R1"); n.State != "born" || n.Requests != 1 {
		t.Errorf("state %+v, want born after one request", n)
	}
}

func TestAliasThatNoBirthDefinedIsNotMapped(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(aliased(double(named("Hoist/Block", Double), 20), 5), aliased(double(named("Mud/Weight", Double), 1), 6))
	s.want("R1 00.000 block_height=20", "unknown field: Mud/Weight")
	s.wait(time.Second)
	e.data(double(byAlias(7), 40), double(byAlias(5), 21), double(byAlias(6), 1.2))
	s.want("R1 01.000 block_height=21", "unknown alias: north/R1: 7")
	s.wantRequests(1)
}

func TestNewBirthMakesTheOldAliasesVoid(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(aliased(double(named("Hoist/Block", Double), 20), 5), aliased(double(named("Hoist/Hook Load", Double), 300), 6))
	s.wait(time.Second)
	e.birth(aliased(double(named("Hoist/Block", Double), 20), 6))
	s.wait(time.Second)
	e.data(double(byAlias(6), 21), double(byAlias(5), 22))
	s.want("R1 00.000 hook_load=300000 block_height=20 | R1 01.000 block_height=20 | R1 02.000 block_height=21", "unknown alias: north/R1: 5")
}

func TestAliasOfTwoMetricsIsOfNone(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(aliased(double(named("Hoist/Block", Double), 20), 5), aliased(double(named("Hoist/Hook Load", Double), 300), 5))
	s.wait(time.Second)
	e.data(double(byAlias(5), 21))
	s.want("R1 00.000 hook_load=300000 block_height=20", "unknown alias: north/R1: 5 is of another metric too")
}

func TestNameAndAliasThatContradictEachOtherAreNotUsed(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(aliased(double(named("Hoist/Block", Double), 20), 5), aliased(double(named("Hoist/Hook Load", Double), 300), 6))
	s.wait(time.Second)
	e.data(double(aliased(plain("Hoist/Block"), 6), 21))
	s.want("R1 00.000 hook_load=300000 block_height=20", `unknown alias: north/R1: 6 is not "Hoist/Block"`)
}

func TestSequenceWrapsWithoutAWord(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(double(named("Hoist/Block", Double), 0))
	for i := range 600 {
		s.wait(100 * time.Millisecond)
		e.data(double(plain("Hoist/Block"), float64(i)))
	}
	if len(s.samples) != 601 || len(s.rejects) != 0 || len(s.commands) != 0 {
		t.Errorf("%d samples, rejects %v, %d requests, want 601, none, none", len(s.samples), s.rejects, len(s.commands))
	}
}

func TestLostMessageMakesTheDataSuspectUntilOneRebirth(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(double(named("Hoist/Block", Double), 20))
	s.want("R1 00.000 block_height=20", "")
	e.seq++ // message 1 never comes
	for range 8 {
		s.wait(100 * time.Millisecond)
		e.data(double(plain("Hoist/Block"), 20+float64(e.seq)))
	}
	// Message 2 came at 0.1 s; at 0.6 s the waiting is over.
	s.want("R1 00.100 block_height=~22 | R1 00.200 block_height=~23 | R1 00.300 block_height=~24 | R1 00.400 block_height=~25 | "+
		"R1 00.500 block_height=~26 | R1 00.600 block_height=~27 | R1 00.700 block_height=~28 | R1 00.800 block_height=~29",
		"sequence gap: north/R1: message 2, want 1")
	s.wantRequests(1)
	if !s.state("R1").Suspect {
		t.Error("the session is not suspect")
	}
	s.wait(100 * time.Millisecond)
	e.birth(double(named("Hoist/Block", Double), 30))
	s.want("R1 00.900 block_height=30", "")
	if s.state("R1").Suspect {
		t.Error("still suspect after the birth")
	}
	s.wantRequests(1)
}

func TestSilenceAfterAGapEndsTheWaitingByTheTick(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(double(named("Hoist/Block", Double), 20))
	e.seq++
	s.wait(100 * time.Millisecond)
	e.data(double(plain("Hoist/Block"), 21))
	s.wait(499 * time.Millisecond)
	s.tick()
	s.want("R1 00.000 block_height=20", "")
	s.wait(time.Millisecond)
	s.tick()
	s.want("R1 00.100 block_height=~21", "sequence gap: north/R1: message 2, want 1")
	s.wantRequests(1)
}

func TestMessagesOutOfOrderAreHealedWithinTheWindow(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(double(named("Hoist/Block", Double), 20))
	var late []*spb.Payload
	for i := range 4 {
		s.wait(100 * time.Millisecond)
		late = append(late, e.payload(double(plain("Hoist/Block"), 21+float64(i))))
	}
	for _, i := range []int{2, 1, 3, 0} {
		s.wait(10 * time.Millisecond)
		s.send(e.topic("NDATA", ""), late[i])
	}
	s.want("R1 00.000 block_height=20 | R1 00.100 block_height=21 | R1 00.200 block_height=22 | R1 00.300 block_height=23 | R1 00.400 block_height=24", "")
	s.wantRequests(0)
}

func TestMessageThatComesTwiceIsUsedOnce(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(double(named("Hoist/Block", Double), 20))
	s.wait(100 * time.Millisecond)
	p := e.payload(double(plain("Hoist/Block"), 21))
	s.send(e.topic("NDATA", ""), p)
	s.send(e.topic("NDATA", ""), p)
	s.want("R1 00.000 block_height=20 | R1 00.100 block_height=21", "repeated time: north/R1: message 1 again, or too late")
	s.wantRequests(0)
}

func TestSessionWhoseBirthWentByIsNotReadWithTheOldAliases(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(aliased(double(named("Hoist/Block", Double), 20), 5), aliased(double(named("Hoist/Hook Load", Double), 300), 6))
	for range 10 {
		s.wait(100 * time.Millisecond)
		e.data(double(byAlias(5), 21))
	}
	s.samples = nil
	// Death and birth are lost; in the new session the aliases are the other way round.
	e.seq = 1
	s.wait(5 * time.Second)
	e.data(double(byAlias(6), 22))
	s.want("R1 06.000 hook_load=lost block_height=lost", "sequence gap: north/R1: message 1, want 11 | waiting for birth: north/R1")
	s.wantRequests(1)
}

func TestBirthWithAnySequenceNumberBeginsASession(t *testing.T) {
	for _, first := range []uint64{0, 4} {
		s := newSite(t, nodeOptions(t))
		e := &edge{s: s, name: "R1"}
		e.birth(double(named("Hoist/Block", Double), 20))
		e.data(double(plain("Hoist/Block"), 21))
		s.wait(100 * time.Millisecond)
		e.seq = first
		s.send(e.topic("NBIRTH", ""), e.payload(double(named("Hoist/Block", Double), 22)))
		s.wait(100 * time.Millisecond)
		e.data(double(plain("Hoist/Block"), 23))
		s.want("R1 00.000 block_height=20 | R1 00.000 block_height=21 | R1 00.100 block_height=22 | R1 00.200 block_height=23", "")
		s.wantRequests(0)
	}
}

func TestLateDataOfTheEarlierSessionAreNotUsed(t *testing.T) {
	for _, seq := range []uint64{1, 2, 40, 200} { // 1 is the number to come
		s := newSite(t, nodeOptions(t))
		e := &edge{s: s, name: "R1"}
		e.birth(aliased(double(named("Hoist/Block", Double), 20), 5))
		s.wait(100 * time.Millisecond)
		e.seq = seq
		late := e.payload(double(byAlias(5), 99))
		s.wait(100 * time.Millisecond)
		e.birth(aliased(double(named("Hoist/Hook Load", Double), 300), 5))
		s.wait(10 * time.Millisecond)
		s.send(e.topic("NDATA", ""), late)
		e.data(double(byAlias(5), 301))
		if len(s.rejects) != 1 || !strings.HasPrefix(s.rejects[0], "earlier session") {
			t.Errorf("sequence %d: rejects %v, want one of the earlier session", seq, s.rejects)
		}
		s.rejects = nil
		s.want("R1 00.000 block_height=20 | R1 00.200 hook_load=300000 | R1 00.210 hook_load=301000", "")
		s.wantRequests(0)
	}
}

func TestClockThatWasSetBackIsHealedByABirth(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(double(named("Hoist/Block", Double), 20))
	s.wait(time.Minute)
	s.samples = nil
	back := func(p *spb.Payload) *spb.Payload {
		p.Timestamp = ms(s.now.Add(-70 * time.Second))
		p.Metrics[0].Timestamp = p.Timestamp
		return p
	}
	s.send(e.topic("NDATA", ""), back(e.payload(double(plain("Hoist/Block"), 21))))
	s.want("", "earlier session: north/R1: message 1 sent before the birth")
	s.wantRequests(1)
	e.seq = 0
	s.send(e.topic("NBIRTH", ""), back(e.payload(double(named("Hoist/Block", Double), 22))))
	s.send(e.topic("NDATA", ""), back(e.payload(double(plain("Hoist/Block"), 23))))
	s.want("", "far past: 2026-11-24T11:59:50Z, 1m10s behind receipt | far past: 2026-11-24T11:59:50Z, 1m10s behind receipt") // 70 s are told, and not hidden
	s.wantRequests(1)
}

func TestDeathMakesEveryChannelOfTheNodeLost(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e, other := &edge{s: s, name: "R1", bdSeq: 3}, &edge{s: s, name: "R2"}
	e.birth(double(named("Hoist/Block", Double), 20), boolean(named("Drive/Engaged", Boolean), true))
	other.birth(double(named("Hoist/Block", Double), 10))
	s.want("R1 00.000 block_height=20 drive_engaged=1 | R2 00.000 block_height=10", "")
	s.wait(2 * time.Second)
	e.death(3)
	s.want("R1 02.000 block_height=lost drive_engaged=lost", "")
	if n := s.state("R1"); n.State != "dead" || !n.Since.Equal(s.now) {
		t.Errorf("state %+v, want dead now", n)
	}
	s.wait(time.Second)
	other.data(double(plain("Hoist/Block"), 11))
	s.want("R2 03.000 block_height=11", "")
	e.data(double(plain("Hoist/Block"), 21))
	s.want("", "waiting for birth: north/R1")
	s.wantRequests(1)
}

// A will can come after the next birth; a clock can be behind ours.
func TestDeathIsMatchedToItsBirth(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1", bdSeq: 255}
	e.birth(double(named("Hoist/Block", Double), 20))
	s.wait(time.Second)
	e.bdSeq = 0 // wraps
	e.birth(double(named("Hoist/Block", Double), 21))
	e.death(255)
	s.want("R1 00.000 block_height=20 | R1 01.000 block_height=21", "earlier session: north/R1: death 255, in session 0")
	e.data(double(plain("Hoist/Block"), 22))
	s.want("R1 01.000 block_height=22", "")
	e.death(1) // of a session whose birth we did not see
	s.want("R1 01.001 block_height=lost", "")
}

func TestDeviceDiesAloneAndIsBornAgain(t *testing.T) {
	o := nodeOptions(t)
	o.Device = "Hoist PLC"
	s := newSite(t, o)
	e := &edge{s: s, name: "R1"}
	e.birth()
	e.device("DDATA", "Hoist PLC", double(byAlias(9), 19)) // the alias is of nothing yet
	s.want("", "waiting for birth: north/R1/Hoist PLC")
	s.wantRequests(1)
	e.device("DBIRTH", "Hoist PLC", aliased(double(named("Hoist/Block", Double), 20), 9))
	e.device("DBIRTH", "Pump PLC", aliased(double(named("Hoist/Block", Double), 77), 10))
	s.wait(time.Second)
	e.device("DDATA", "Hoist PLC", double(byAlias(9), 21))
	e.device("DDATA", "Pump PLC", double(byAlias(10), 78))
	e.device("DDEATH", "Pump PLC")
	s.want("R1 00.000 block_height=20 | R1 01.000 block_height=21", "")
	e.device("DDATA", "Hoist PLC", double(byAlias(10), 78))
	s.want("", "unknown alias: north/R1: 10")
	e.device("DDEATH", "Hoist PLC")
	s.want("R1 01.001 block_height=lost", "")
	s.wait(time.Second)
	e.device("DBIRTH", "Hoist PLC", double(named("Hoist/Block", Double), 22))
	s.want("R1 02.000 block_height=22", "")
	if n := s.state("R1"); len(n.Devices) != 1 || n.Devices[0] != "Hoist PLC" {
		t.Errorf("devices alive %v", n.Devices)
	}
}

func TestRigIsNamedByTheLevelThatTheSiteFileSays(t *testing.T) {
	topics := map[string][2]string{
		"group":  {"spBv1.0/north/NBIRTH/n1", "north"},
		"node":   {"spBv1.0/north/NBIRTH/n1", "n1"},
		"device": {"spBv1.0/north/DBIRTH/n1/d1", "d1"},
	}
	for level, c := range topics {
		o := Options{Group: "north", Node: "n1", Mapping: fieldMapping(t)}
		switch level {
		case "group":
			o.Group = RigLevel
		case "node":
			o.Node = RigLevel
		case "device":
			o.Device = RigLevel
		}
		s := newSite(t, o)
		e := &edge{s: s, name: "n1"}
		if level == "device" {
			e.birth()
		}
		s.send(c[0], e.payload(double(named("Hoist/Block", Double), 20)))
		s.want(c[1]+" 00.000 block_height=20", "")
	}
}

func TestFieldNamesTheDeviceWhereARigHasSeveral(t *testing.T) {
	o := nodeOptions(t)
	o.Device = AnyDevice
	o.Mapping.Channels[0].Field = "Hoist PLC/Hook Load"
	s := newSite(t, o)
	e := &edge{s: s, name: "R1"}
	e.birth(double(named("Hoist/Block", Double), 66))
	e.device("DBIRTH", "Hoist PLC", double(named("Hook Load", Double), 300))
	e.device("DBIRTH", "Brake", aliased(double(named("Pressure", Double), 5), 1))
	e.device("DBIRTH", "Mud", double(named("Hook Load", Double), 1))
	s.want("R1 00.000 hook_load=300000 | R1 00.000 brake_pressure=500000", "unknown field: Hook Load")
	s.wait(time.Second)
	e.device("DDEATH", "Brake")
	s.want("R1 01.000 brake_pressure=lost", "")
	s.wait(time.Second)
	e.death(0)
	s.want("R1 02.000 hook_load=lost", "")
}

func TestLostLinkEndsEverySession(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(aliased(double(named("Hoist/Block", Double), 20), 5))
	s.h.Link("quiet", s.now, s)
	s.h.Link("subscribed", s.now, s)
	s.wait(time.Second)
	e.data(double(byAlias(5), 21))
	s.want("R1 00.000 block_height=20 | R1 01.000 block_height=21", "")
	s.wait(time.Second)
	s.h.Link("lost", s.now, s)
	s.want("R1 02.000 block_height=lost", "")
	s.h.Link("subscribed", s.now, s)
	e.data(double(byAlias(5), 22))
	s.want("", "waiting for birth: north/R1")
	s.wantRequests(1)
}
