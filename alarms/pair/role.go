// Package pair decides which of two monitors of the same rigs speaks, what of its alarms
// the other has told already, and which acts it has not taken yet.
//
// Both members take the readings and decide. One speaks: it sends the alarms out. Each
// says on a topic of its own, which nobody else writes, that it is there, whether it
// speaks, and since which term; the broker's will says that it is gone.
//
// Who speaks is bound to hearing itself: a member whose own beats do not come back to it
// for Lease falls silent, before the other, which waits GoneAfter, takes over. Only when
// the broker has been away for AloneAfter does a member speak without it, under its own
// name: both may then tell the same alarm, which is better than that nobody does.
//
// The package may not read a clock, send or keep anything: it is told what was heard.
package pair

import (
	"fmt"
	"time"
)

// The times that a pair goes by. A beat comes each second and a quarter at most.
const (
	Lease      = 2500 * time.Millisecond // a member that speaks and does not hear itself for so long falls silent
	GoneAfter  = 3500 * time.Millisecond // a member that is not heard for so long is gone
	Listen     = 4 * time.Second         // at the start, before anything is said
	YieldAfter = 5 * time.Second         // the other watches more rigs for so long: it is to speak
	Grace      = 250 * time.Millisecond  // after the other's will: what it told last comes by another link
)

// Role is what a member does.
type Role uint8

// The roles.
const (
	Listening Role = iota // at the start, or after the broker was away: hears whether another speaks
	Standby               // the other speaks
	Speaking              // this one does
	Cut                   // the broker is away: nothing is said yet
	Alone                 // the broker is away for long: what needs no broker is told
	Refused               // this one may not be of the pair
)

func (r Role) String() string {
	return [...]string{"listening", "standby", "speaking", "cut off", "alone", "refused"}[r]
}

// Speaks tells whether a member of this role sends alarms out.
func (r Role) Speaks() bool { return r == Speaking || r == Alone }

// Beat is what a member says of itself, retained, on its own topic.
type Beat struct {
	Member   string           `json:"member"`
	Life     string           `json:"life"` // of this run of the program, drawn at its start
	Count    uint64           `json:"count"`
	At       string           `json:"at"`
	Speaks   bool             `json:"speaks"`
	Term     uint64           `json:"term"` // rises with each take-over
	Watched  int              `json:"watched"`
	Software string           `json:"software"`
	Rigs     string           `json:"rigs"`    // digest of the rig files in force
	Journal  string           `json:"journal"` // of its numbers
	Told     map[string]int64 `json:"told"`    // by destination: its events up to this number are dealt with
	Gone     bool             `json:"gone"`    // it stopped, or the broker lost it
}

// Heard is the newest that was heard of a member.
type Heard struct {
	Beat
	At time.Time // receipt, by our clock; zero = never
}

// here tells whether a member was heard lately and is not gone.
func (h *Heard) here(now time.Time) bool {
	return !h.At.IsZero() && !h.Gone && now.Sub(h.At) <= GoneAfter
}

// Input is what a step goes by.
type Input struct {
	Me         Beat          // name, life, software, rigs, rigs watched now
	Echo       time.Time     // our own beat last came back; zero = never
	Peer       Heard         // the other, by its live beats; a will too
	Twin       Heard         // one of our own name that is not us
	AloneAfter time.Duration // without the broker
}

// State is the pair as one member sees it. The zero value is a member that has just
// begun, once Since is set.
type State struct {
	Role   Role
	Term   uint64 // of who speaks, as far as known
	Since  time.Time
	Spoke  bool      // this one was the last to speak, as far as it knows
	Better time.Time // since when the other watches more rigs; zero = it does not
}

// Step returns the next state and, where the role changed, why.
func Step(s State, now time.Time, in *Input) (State, string) {
	if in.Peer.Term > s.Term && in.Peer.Speaks {
		s.Term = in.Peer.Term
	}
	s.Better = better(s.Better, now, in)
	heard := !in.Echo.IsZero() && now.Sub(in.Echo) <= Lease
	switch s.Role {
	case Listening:
		return listen(s, now, in, heard)
	case Standby:
		return standBy(s, now, in, heard)
	case Speaking:
		return speak(s, now, in, heard)
	case Cut, Alone:
		return cut(s, now, in, heard)
	}
	return s, ""
}

func better(since, now time.Time, in *Input) time.Time {
	switch {
	case !in.Peer.here(now) || in.Peer.Watched <= in.Me.Watched:
		return time.Time{}
	case since.IsZero():
		return now
	}
	return since
}

func (s State) to(r Role, now time.Time, why string) (State, string) {
	s.Role, s.Since = r, now
	if r.Speaks() {
		s.Spoke = true
	} else if r == Standby {
		s.Spoke = false
	}
	return s, why
}

// take makes this member the one that speaks, in a new term.
func (s State) take(now time.Time, in *Input, why string) (State, string) {
	s.Term = max(s.Term, in.Peer.Term) + 1
	return s.to(Speaking, now, why)
}

func listen(s State, now time.Time, in *Input, heard bool) (State, string) {
	if why := misfit(now, in); why != "" {
		return s.to(Refused, now, why)
	}
	switch {
	case in.Peer.here(now) && in.Peer.Speaks:
		return s.to(Standby, now, in.Peer.Member+" speaks")
	case now.Sub(s.Since) < Listen:
		return s, ""
	case !heard && now.Sub(s.Since) < Listen+in.AloneAfter:
		return s, ""
	case !heard:
		return s.to(Alone, now, "the broker has not been there since the start")
	case in.Peer.here(now) && !first(in):
		return s.to(Standby, now, in.Peer.Member+" is there and comes first")
	}
	return s.take(now, in, "nobody else speaks")
}

// first tells whether this member is the one to speak where neither does: it watches
// more rigs, or as many and its name comes first.
func first(in *Input) bool {
	if in.Me.Watched != in.Peer.Watched {
		return in.Me.Watched > in.Peer.Watched
	}
	return in.Me.Member < in.Peer.Member
}

// misfit says why this member may not join the other; only one that has just begun is
// judged, so that the one that speaks is never put out by a newcomer.
func misfit(now time.Time, in *Input) string {
	p := &in.Peer
	switch {
	case in.Twin.here(now):
		return fmt.Sprintf("another monitor is the member %q already, want two names", in.Me.Member)
	case !p.here(now):
		return ""
	case p.Software != in.Me.Software:
		return fmt.Sprintf("member %s runs %q, this one %q, want the same: stop one, give it the other's version, start it again", p.Member, p.Software, in.Me.Software)
	case p.Rigs != in.Me.Rigs:
		return fmt.Sprintf("member %s has other rig files (digest %.12s, ours %.12s), want the same", p.Member, p.Rigs, in.Me.Rigs)
	}
	return ""
}

func standBy(s State, now time.Time, in *Input, heard bool) (State, string) {
	p := &in.Peer
	switch {
	case !heard && now.Sub(in.Echo) > Lease+in.AloneAfter+GoneAfter: // after the one that spoke last
		return s.to(Alone, now, "the broker is away, and who spoke may be with it")
	case !heard:
		return s, "" // it may be we who are cut off
	case p.Gone && now.Sub(p.At) < Grace:
		return s, ""
	case p.Gone:
		return s.take(now, in, p.Member+" is gone")
	case !p.here(now):
		return s.take(now, in, p.Member+" is not heard any more")
	case !p.Speaks && first(in) && now.Sub(s.Since) > Lease:
		return s.take(now, in, p.Member+" does not speak")
	}
	return s, ""
}

func speak(s State, now time.Time, in *Input, heard bool) (State, string) {
	p := &in.Peer
	switch {
	case p.here(now) && p.Speaks && (p.Term > s.Term || p.Term == s.Term && p.Member < in.Me.Member):
		s.Term = p.Term
		return s.to(Standby, now, p.Member+" speaks in a later term")
	case !heard && now.Sub(s.Since) > Lease:
		return s.to(Cut, now, "our own beats do not come back from the broker")
	case !s.Better.IsZero() && now.Sub(s.Better) > YieldAfter:
		return s.to(Standby, now, fmt.Sprintf("%s watches %d rigs, this one %d", p.Member, p.Watched, in.Me.Watched))
	}
	return s, ""
}

func cut(s State, now time.Time, in *Input, heard bool) (State, string) {
	switch {
	case heard:
		return s.to(Listening, now, "the broker is back")
	case s.Role == Cut && now.Sub(s.Since) > in.AloneAfter:
		return s.to(Alone, now, "the broker is away")
	}
	return s, ""
}
