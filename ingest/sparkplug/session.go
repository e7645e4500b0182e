package sparkplug

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"hoistward/ingest"
)

// SessionState is the condition of an edge node's session as we see it.
//
//	          NBIRTH              NDEATH of this session
//	Waiting ─────────▶ Born ───────────────────────▶ Dead
//	   ▲                │  ▲        NBIRTH            │
//	   │ link lost, or  │  └──────────────────────────┤
//	   └─ data of a ────┘                             │
//	      session not   ◀─────────────────────────────┘
//	      seen to begin      link lost
type SessionState uint8

// The states.
const (
	Waiting SessionState = iota // no birth seen yet: data cannot be read
	Born
	Dead
)

// String returns the words used in JSON and on screens.
func (s SessionState) String() string {
	return [...]string{"waiting for birth", "born", "dead"}[min(s, Dead)]
}

// Limits of one node.
const (
	maxDevices   = 256
	maxAliases   = 20000
	maxHeld      = 32        // messages that wait for one before them
	maxHeldBytes = 256 << 10 // of their payloads
	// maxGap is how many messages can be missing and be taken for lost ones: a
	// greater step is rather a session that began without our seeing its birth.
	maxGap = 32
)

// node is one edge node.
type node struct {
	h           *Host
	group, name string
	state       SessionState
	since       time.Time
	bdSeq       uint64 // of this session's birth
	hasBDSeq    bool
	next        uint8     // sequence number to come
	born        time.Time // receipt of the birth
	birthStamp  uint64    // the node's time of it, ms
	newest      uint64    // the node's time of the newest message taken, ms
	suspect     bool      // messages were lost in this session
	own         *entity
	devices     map[string]*entity
	aliases     map[uint64]alias
	held        []arrival // with bytes of their own
	heldBytes   int
	gapSince    time.Time
	requests    requests
	requested   int
}

// arrival is one message of a node.
type arrival struct {
	place
	payload
	received time.Time
}

func (n *node) rig(device string) string { return n.h.o.rig(n.group, n.name, device) }

func (n *node) label() string { return n.group + "/" + n.name }

// take does what the message asks for, in the order of the sequence.
func (n *node) take(a *arrival, out ingest.Sink) {
	switch a.verb {
	case nodeBirth:
		n.birth(a, out)
	case nodeDeath: // carries no sequence number
		n.death(a, out)
	default:
		n.sequenced(a, out)
	}
}

func (n *node) birth(a *arrival, out ingest.Sink) {
	if a.hasSeq && a.seq > 255 {
		out.Reject(n.rig(a.device), ingest.RejectBrokenPayload, fmt.Sprintf("%s: birth with sequence number %d", n.label(), a.seq))
		return
	}
	n.clear()
	n.become(Born, a.received)
	n.born, n.next = a.received, uint8(a.seq)+1
	n.birthStamp, n.newest = a.timestamp, a.timestamp
	n.bdSeq, n.hasBDSeq = a.bdSeq()
	n.suspect = false
	n.apply(a, out)
}

// clear forgets all that the births of a session defined.
func (n *node) clear() {
	n.own.clear()
	clear(n.aliases)
	for _, e := range n.devices {
		e.clear()
	}
	n.held, n.heldBytes = n.held[:0], 0
}

func (n *node) become(s SessionState, now time.Time) {
	if n.state != s || n.since.IsZero() {
		n.state, n.since = s, now
	}
}

// end closes the session: no value of it stands any more.
func (n *node) end(s SessionState, now time.Time, out ingest.Sink) {
	shared := n.own.told
	for _, e := range n.sortedDevices() {
		if e.feed == n.own.feed {
			shared |= e.told
		} else {
			n.lose(e.feed, e.told, now, out)
		}
		e.told = 0
	}
	n.own.told = 0
	n.lose(n.own.feed, shared, now, out)
	n.clear()
	n.suspect = false
	n.become(s, now)
}

func (n *node) sortedDevices() []*entity {
	all := make([]*entity, 0, len(n.devices))
	for _, e := range n.devices {
		all = append(all, e)
	}
	slices.SortFunc(all, func(a, b *entity) int { return strings.Compare(a.name, b.name) })
	return all
}

// death ends the session whose birth had the same number. A will can come after
// the birth of the next session; one that is newer than ours is of a session whose
// birth we did not see, so ours is over as well.
func (n *node) death(a *arrival, out ingest.Sink) {
	number, ok := a.bdSeq()
	if behind := uint8(n.bdSeq - number); n.state == Born && ok && n.hasBDSeq && behind >= 1 && behind < 128 {
		out.Reject(n.rig(""), ingest.RejectEarlierSession, fmt.Sprintf("%s: death %d, in session %d", n.label(), number, n.bdSeq))
		return
	}
	n.end(Dead, a.received, out)
}

// bdSeq returns the number that ties a death to its birth.
func (p *payload) bdSeq() (number uint64, ok bool) {
	var m metric
	p.each(&m, func() {
		if string(m.name) == "bdSeq" && !m.null && (m.kind == longValue || m.kind == intValue) {
			number, ok = m.bits, true
		}
	})
	return number, ok
}

// sequenced takes a message that has a place in the node's sequence.
func (n *node) sequenced(a *arrival, out ingest.Sink) {
	if n.state != Born {
		n.unborn(a, out)
		return
	}
	if !a.hasSeq || a.seq > 255 {
		out.Reject(n.rig(a.device), ingest.RejectSequenceGap, n.label()+": no sequence number from 0 to 255")
		return
	}
	ahead := uint8(a.seq) - n.next
	switch {
	case n.earlier(a):
		out.Reject(n.rig(a.device), ingest.RejectEarlierSession, fmt.Sprintf("%s: message %d sent before the birth", n.label(), a.seq))
	case ahead == 0:
		n.next++
		n.apply(a, out)
		n.drain(out)
	case ahead <= maxGap:
		n.hold(a, out)
	case ahead > 255-maxGap && a.hasTime && a.timestamp <= n.newest:
		out.Reject(n.rig(a.device), ingest.RejectRepeatedTime, fmt.Sprintf("%s: message %d again, or too late", n.label(), a.seq))
	default:
		out.Reject(n.rig(a.device), ingest.RejectSequenceGap, fmt.Sprintf("%s: message %d, want %d", n.label(), a.seq, n.next))
		n.end(Waiting, a.received, out)
		n.unborn(a, out)
	}
}

// unborn takes a message of a session whose birth was not seen.
func (n *node) unborn(a *arrival, out ingest.Sink) {
	if n.since.IsZero() {
		n.become(Waiting, a.received)
	}
	out.Reject(n.rig(a.device), ingest.RejectWaitingForBirth, n.label())
	n.wantBirth(a.received)
}

// earlier tells whether a was sent before the birth that is in force, and so may
// mean other metrics by its aliases. Soon after the birth it is a late one. After
// that the node's clock may have been set back, and a birth will tell us by how much.
func (n *node) earlier(a *arrival) bool {
	if !a.hasTime || a.timestamp >= n.birthStamp {
		return false
	}
	if a.received.Sub(n.born) >= max(n.h.o.Reorder, time.Second) {
		n.wantBirth(a.received)
	}
	return true
}

// hold keeps a message until those before it have come.
func (n *node) hold(a *arrival, out ingest.Sink) {
	if len(n.held) == 0 {
		n.gapSince = a.received
	}
	for i := range n.held {
		if n.held[i].seq == a.seq {
			out.Reject(n.rig(a.device), ingest.RejectRepeatedTime, fmt.Sprintf("%s: message %d again", n.label(), a.seq))
			return
		}
	}
	k := *a
	k.raw = slices.Clone(a.raw)
	n.held = append(n.held, k)
	n.heldBytes += len(k.raw)
	if n.h.o.Reorder == 0 || len(n.held) >= maxHeld || n.heldBytes > maxHeldBytes {
		n.giveUp(a.received, out)
	}
}

// drain takes the held messages whose turn has come.
func (n *node) drain(out ingest.Sink) {
	for i := 0; i < len(n.held) && n.state == Born; i++ {
		if n.held[i].seq != uint64(n.next) {
			continue
		}
		k := n.held[i]
		n.heldBytes -= len(k.raw)
		n.held = slices.Delete(n.held, i, i+1)
		n.next++
		n.apply(&k, out)
		i = -1
	}
}

// expire ends the waiting for a missing message.
func (n *node) expire(now time.Time, out ingest.Sink) {
	if len(n.held) > 0 && now.Sub(n.gapSince) >= n.h.o.Reorder {
		n.giveUp(now, out)
	}
}

// giveUp takes the held messages although others are missing. What was lost may
// have been a change, so nothing earlier stands, and what comes is uncertain until
// the node has said all again.
func (n *node) giveUp(now time.Time, out ingest.Sink) {
	waiting := slices.Clone(n.held)
	slices.SortFunc(waiting, func(a, b arrival) int { return int(uint8(a.seq)-n.next) - int(uint8(b.seq)-n.next) })
	n.held, n.heldBytes = n.held[:0], 0
	out.Reject(n.rig(waiting[0].device), ingest.RejectSequenceGap, fmt.Sprintf("%s: message %d, want %d", n.label(), waiting[0].seq, n.next))
	n.suspect = true
	n.own.forget()
	for _, e := range n.devices {
		e.forget()
	}
	n.wantBirth(now)
	for i := range waiting {
		n.next = uint8(waiting[i].seq) + 1
		n.apply(&waiting[i], out)
	}
}

// requests paces the requests for births: 10 s after the first, then twice as long
// each time, 5 min at most. A session that went well for a minute since its birth
// starts anew.
type requests struct {
	count int
	last  time.Time
}

const (
	firstPause  = 10 * time.Second
	longPause   = 5 * time.Minute
	wellAfter   = time.Minute
	doublings   = 5 // 10 s · 2⁵ = 320 s, beyond longPause
	forgetAfter = 2 * longPause
)

func (n *node) wantBirth(now time.Time) {
	r := &n.requests
	well := n.state == Born && n.born.After(r.last) && now.Sub(n.born) >= wellAfter
	if well || now.Sub(r.last) >= forgetAfter {
		r.count = 0
	}
	if r.count > 0 && now.Sub(r.last) < min(firstPause<<min(r.count-1, doublings), longPause) {
		return
	}
	if n.h.ask(n, now) {
		r.count++
		n.requested++
		r.last = now
	}
}
