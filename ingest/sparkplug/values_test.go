package sparkplug

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"hoistward/ingest/sparkplug/spb"
)

func TestNoValueIsNeverANumberAndLeavesTheOthers(t *testing.T) {
	for name, c := range map[string]struct {
		m       *spb.Metric
		value   string
		rejects string
	}{
		"is_null":             {null(plain("Hoist/Hook Load")), "null", "null"},
		"is_null with number": {null(double(plain("Hoist/Hook Load"), 85)), "null", "null"},
		"value absent":        {plain("Hoist/Hook Load"), "null", "null"},
		"NaN":                 {double(plain("Hoist/Hook Load"), math.NaN()), "not a number", "not a number"},
		"infinity":            {double(plain("Hoist/Hook Load"), math.Inf(-1)), "not a number", "not a number"},
		"empty string":        {text(plain("Hoist/Hook Load"), ""), "wrong type", "wrong type"},
		"number as text":      {text(plain("Hoist/Hook Load"), "85"), "wrong type", "wrong type"},
		"datatype Unknown":    {double(named("Hoist/Hook Load", Unknown), 85), "wrong type", "wrong type"},
		"integer for double":  {integer(plain("Hoist/Hook Load"), 85), "wrong type", "wrong type"},
		"bad by its source":   {quality(double(plain("Hoist/Hook Load"), 85), 0), "bad at source", "bad at source"},
		"stale by its source": {quality(double(plain("Hoist/Hook Load"), 85), 500), "late", "bad at source"},
		"quality unknown":     {quality(double(plain("Hoist/Hook Load"), 85), 64), "bad at source", "bad at source"},
		"good by its source":  {quality(double(plain("Hoist/Hook Load"), 85), 192), "85000", ""},
	} {
		t.Run(name, func(t *testing.T) {
			o := nodeOptions(t)
			o.Hold = time.Minute
			s := newSite(t, o)
			e := &edge{s: s, name: "R1"}
			e.birth(double(named("Hoist/Hook Load", Double), 80), double(named("Hoist/Block", Double), 20))
			s.want("R1 00.000 hook_load=80000 block_height=20", "")
			s.wait(time.Second)
			e.data(c.m, double(plain("Hoist/Block"), 12.3))
			rejects := ""
			if c.rejects != "" {
				rejects = c.rejects + ": hook_load"
			}
			s.want("R1 01.000 hook_load="+c.value+" block_height=12.3", rejects)
			// What is not known now does not come back of itself.
			s.wait(time.Second)
			e.data(double(plain("Hoist/Block"), 12.4))
			if c.rejects != "" {
				s.want("R1 02.000 block_height=12.4", "")
			} else {
				s.want("R1 02.000 hook_load=85000 block_height=12.4", "")
			}
		})
	}
}

func TestNullNumberOfTheMappingIsNoValue(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(float(named("Hoist/Block", Float), -999.25))
	s.want("R1 00.000 block_height=null", "null: block_height")
}

func TestHistoricalValuesAreKeptOutOfThePresent(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(double(named("Hoist/Block", Double), 20), double(named("Hoist/Hook Load", Double), 300))
	s.wait(10 * time.Second)
	e.data(historical(double(plain("Hoist/Block"), 40.9), noon.Add(time.Second)), double(plain("Hoist/Hook Load"), 310))
	s.want("R1 00.000 hook_load=300000 block_height=20 | R1 10.000 hook_load=310000",
		"historical: block_height 40.9 (SI) at 2026-11-24T12:00:01Z")
}

func TestSeveralTimesInOneMessageBecomeSamplesInOrder(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(double(named("Hoist/Block", Double), 20), double(named("Hoist/Hook Load", Double), 300))
	s.samples = nil
	s.wait(time.Second)
	at := func(m *spb.Metric, d time.Duration) *spb.Metric {
		m.Timestamp = ms(noon.Add(d))
		return m
	}
	block, load := "Hoist/Block", "Hoist/Hook Load"
	e.data(at(double(plain(block), 22), 900*time.Millisecond), at(double(plain(block), 21), 500*time.Millisecond),
		at(double(plain(load), 301), 900*time.Millisecond), at(double(plain(load), 302), 900*time.Millisecond))
	s.want("R1 00.500 block_height=21 | R1 00.900 hook_load=named twice block_height=22", "duplicate key: hook_load")
}

func TestTimesThatCannotBeBelieved(t *testing.T) {
	for name, c := range map[string]struct {
		metric, payload uint64
		samples         string
		reject          string
	}{
		"seconds":        {1795521600, 0, "", "bad time: block_height"},
		"microseconds":   {1795521600000000, 0, "", "bad time: block_height"},
		"all ones":       {math.MaxUint64, 0, "", "bad time: block_height"},
		"of the message": {0, 1795521600500, "R1 00.500 block_height=21", ""},
		"none":           {0, 0, "", "no time: block_height"},
		"next day":       {1795521600000 + 86400000, 0, "R1 00.000 block_height=~21", "clock ahead: 2026-11-25T12:00:00Z, 24h0m0s ahead of receipt"},
		"an hour ago":    {1795521600000 - 3600000, 0, "", "far past: 2026-11-24T11:00:00Z, 1h0m0s behind receipt"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSite(t, nodeOptions(t))
			e := &edge{s: s, name: "R1"}
			e.birth(double(named("Hoist/Block", Double), 20))
			s.samples = nil
			p := e.payload(double(plain("Hoist/Block"), 21))
			p.Timestamp, p.Metrics[0].Timestamp = nil, nil
			if c.metric != 0 {
				p.Metrics[0].Timestamp = &c.metric
			}
			if c.payload != 0 {
				p.Timestamp = &c.payload
			}
			s.send(e.topic("NDATA", ""), p)
			s.want(c.samples, c.reject)
		})
	}
}

func TestBirthGivesWhatStandsNowHoweverLongAgoMeasured(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	m := boolean(named("Drive/Engaged", Boolean), false)
	m.Timestamp = ms(noon.Add(-5 * time.Hour))
	e.birth(m)
	s.want("R1 00.000 drive_engaged=0", "")
}

func TestValueThatIsNotSentAgainStandsForTheHoldTime(t *testing.T) {
	o := nodeOptions(t)
	o.Hold = 10 * time.Second
	s := newSite(t, o)
	e := &edge{s: s, name: "R1"}
	e.birth(double(named("Hoist/Block", Double), 20), double(named("Brake/Pressure", Double), 5),
		boolean(named("Drive/Engaged", Boolean), false), integer(named("Uptime", UInt32), 1))
	s.samples, s.rejects = nil, nil
	s.wait(9 * time.Second)
	e.data(double(plain("Hoist/Block"), 21))
	s.want("R1 09.000 block_height=21 brake_pressure=500000 drive_engaged=0", "")
	s.wait(2 * time.Second)
	e.data(integer(plain("Uptime"), 2)) // nothing of ours, but the session lives
	s.want("R1 11.000 block_height=21 drive_engaged=0", "")
	s.wait(time.Second)
	s.tick() // silence proves nothing
	s.want("", "")
	e.seq++ // a lost message may have been a change
	e.data(double(plain("Hoist/Block"), 22))
	s.wait(time.Second)
	s.tick()
	s.want("R1 12.000 block_height=~22", "sequence gap: north/R1: message 4, want 3")
}

func TestCommandsAndStatesAreNoData(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	for _, topic := range []string{"spBv1.0/north/NCMD/R1", "spBv1.0/north/DCMD/R1/d", "spBv1.0/north/STATE/R1"} {
		s.raw(topic, []byte("x"))
	}
	s.want("", "")
	for _, topic := range []string{"hoist/R1/readings", "spBv1.0/north/NDATA", "spBv1.0/north/NDATA/R1/d", "spBv1.0/north/DDATA/R1",
		"spBv1.0/south/NDATA/R1", "spBv1.0/north/DDATA/R1/d/e", "spBv1.0/north/NDATA/", ""} {
		s.raw(topic, []byte("x"))
		s.want("", "bad topic: "+topic)
	}
}

func TestBrokenPayloadGivesNothingAndLeavesNothingBehind(t *testing.T) {
	s := newSite(t, nodeOptions(t))
	e := &edge{s: s, name: "R1"}
	e.birth(double(named("Hoist/Block", Double), 20))
	s.samples = nil
	p := e.payload(double(plain("Hoist/Block"), 21))
	whole, err := proto.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for i := 1; i < len(whole); i++ {
		cut, err := proto.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		s.raw(e.topic("NDATA", ""), cut[:i])
		n += len(s.samples)
	}
	// A cut between two fields is a sound, shorter message.
	if n > 1 || len(s.rejects) < len(whole)-4 {
		t.Errorf("%d samples and %d rejects from %d cuts", n, len(s.rejects), len(whole)-1)
	}
	s.samples, s.rejects = nil, nil
	s.raw(e.topic("NDATA", ""), nil)
	s.want("", "empty payload: spBv1.0/north/NDATA/R1")
	s.raw(e.topic("NDATA", ""), make([]byte, MaxSize+1))
	s.want("", "too large: 1048577 bytes")
}
