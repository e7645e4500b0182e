package ingest

import "time"

// Limits of a Gatherer.
const (
	// gatherTime is how long a frame waits for the rest of its channels: messages
	// sent together arrive within some milliseconds of each other, and a block at
	// 1.5 m/s goes 3 cm in it.
	gatherTime = 20 * time.Millisecond
	// samePace is how much longer than the shortest a channel's interval may be for
	// a frame to wait for it.
	samePace = 1.5
	// missedPace is how many of its intervals a channel may be silent before no
	// frame waits for it.
	missedPace = 2.5
)

// paceChannels are those that a stop rests on: frames are made as often as the
// fastest of them comes.
const paceChannels = 1<<HookLoad | 1<<BlockHeight | 1<<DrumSpeed | 1<<DrumCounts | 1<<BrakePressure

// Gatherer makes frames of samples. Where the channels of a rig come in messages
// of their own, four messages within a millisecond are one frame and not four: a
// frame is handed out
//
//	at once   when each of the fastest hoist channels has come since the last
//	later     gatherTime after the first of them came, if some stay away (Release)
//	with it   slower channels: they join, with their own times, and make no frame
//	          while a hoist channel comes
//
// Where one message brings a rig's channels together (the zero value), each sample
// that is newer makes its frame at once. It has no clock, does not allocate, and is
// not safe for concurrent use.
type Gatherer struct {
	assembler Assembler
	apart     bool
	pace      [NumChannels]pace

	held    uint32    // channels that came since the newest frame was handed out
	since   time.Time // receipt of the first of them that frames wait on
	stepped bool      // the clock was set back since then
	handed  time.Time // event time of the newest frame handed out
}

// pace is how often a channel comes.
type pace struct {
	interval time.Duration // 0 = not known
	stated   bool
	last     time.Time // receipt
}

// NewGatherer returns a Gatherer for a rig whose channels come apart, or not, with
// the intervals that are stated, s; the others are learned.
func NewGatherer(apart bool, periods map[string]float64) Gatherer {
	g := Gatherer{apart: apart}
	for name, seconds := range periods {
		if c, ok := ParseChannel(name); ok && seconds > 0 {
			g.pace[c] = pace{interval: time.Duration(seconds * float64(time.Second)), stated: true}
		}
	}
	return g
}

// Add takes a sample that came at received, which must not fall from call to
// call, nor below a call of Release. It returns the frame that is now due, or nil;
// the frame is valid until the next call. The reject says what was refused, if only
// a part.
func (g *Gatherer) Add(s *Sample, received time.Time) (*Frame, Reject) {
	if !g.apart {
		return g.assembler.Add(s, received)
	}
	before := g.assembler.joined
	frame, reject := g.assembler.Add(s, received)
	came := g.assembler.joined &^ before
	if frame != nil {
		came = s.Has
		g.stepped = g.stepped || frame.ClockStepped
	}
	if came == 0 {
		return nil, reject
	}
	if g.held&g.waitedFor(received) == 0 {
		g.since = received
	}
	g.held |= came
	g.learn(came, received)
	if set := g.waitedFor(received); set != 0 && g.held&set == set && g.rises() {
		return g.hand(received), reject
	}
	return nil, reject
}

// Due returns when Release will hand out a frame that waits; zero = none waits.
func (g *Gatherer) Due(now time.Time) time.Time {
	if g.held == 0 || !g.rises() {
		return time.Time{}
	}
	if set := g.waitedFor(now); set != 0 && g.held&set == 0 {
		return time.Time{} // a slow channel joins the next frame
	}
	return g.since.Add(gatherTime)
}

// Release hands out the frame that has waited long enough at now, or nil.
func (g *Gatherer) Release(now time.Time) *Frame {
	due := g.Due(now)
	if due.IsZero() || now.Before(due) {
		return nil
	}
	return g.hand(now)
}

// rises tells whether a frame would be newer than the last that was handed out.
func (g *Gatherer) rises() bool {
	return g.stepped || g.assembler.frame.Time.After(g.handed)
}

func (g *Gatherer) hand(now time.Time) *Frame {
	f := &g.assembler.frame
	for c := range NumChannels {
		f.Values[c].Fresh = g.held&(1<<c) != 0
	}
	f.Received, f.ClockStepped = now, g.stepped
	g.assembler.joined = 0
	g.handed, g.held, g.stepped = f.Time, 0, false
	return f
}

// learn follows how often the channels come.
func (g *Gatherer) learn(came uint32, received time.Time) {
	for c := range NumChannels {
		if came&(1<<c) == 0 {
			continue
		}
		p := &g.pace[c]
		if d := received.Sub(p.last); !p.last.IsZero() && !p.stated && d > 0 {
			if p.interval == 0 || d > 10*p.interval { // the first, or it came back
				p.interval = d
			} else {
				p.interval += (d - p.interval) / 8
			}
		}
		p.last = received
	}
}

// waitedFor returns the hoist channels that come as often as the fastest of them
// and have not failed to.
func (g *Gatherer) waitedFor(now time.Time) uint32 {
	var alive uint32
	least := time.Duration(0)
	for c := range NumChannels {
		p := &g.pace[c]
		if paceChannels&(1<<c) == 0 || p.interval == 0 || p.last.IsZero() ||
			float64(now.Sub(p.last)) > missedPace*float64(p.interval) {
			continue
		}
		alive |= 1 << c
		if least == 0 || p.interval < least {
			least = p.interval
		}
	}
	var set uint32
	for c := range NumChannels {
		if alive&(1<<c) != 0 && float64(g.pace[c].interval) <= samePace*float64(least) {
			set |= 1 << c
		}
	}
	return set
}
