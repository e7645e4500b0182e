package watch

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"hoistward/ingest"
)

// sessions is a decoder that follows sessions: it hands out a height at each tick,
// rejects when its link is lost, and panics at ticks once it is refused.
type sessions struct {
	heights
	fail  bool
	links []string
}

func (s *sessions) Tick(now time.Time, out ingest.Sink) {
	if s.fail {
		panic("tick")
	}
	v := ingest.Sample{Time: now}
	v.Set(ingest.BlockHeight, ingest.Number(20))
	out.Sample("R1", &v)
}

func (s *sessions) Link(state string, now time.Time, out ingest.Sink) {
	s.links = append(s.links, state)
	switch state {
	case "lost":
		out.Reject("R1", ingest.RejectWaitingForBirth, "n1")
	case "refused":
		s.fail = true
	}
}

func TestDecoderThatFollowsSessionsHearsOfTimeAndOfItsOwnLink(t *testing.T) {
	follower := &sessions{}
	runLoop(t, func(*Rig, *Outcome) {}, func(l *Loop, k *kept, _ func(int, string, string)) {
		synctest.Wait()
		l.o.Sources[1].Decoder = follower
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		for _, link := range []ingest.Link{{Source: "two", State: "lost"}, {Source: "one", State: "quiet"}, {Source: "two", State: "subscribed"}} {
			l.Link(link)
			synctest.Wait()
		}
		if got := strings.Join(follower.links, " "); got != "lost subscribed" {
			t.Errorf("told of %q, want its own lost and subscribed", got)
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if n := k.samples["R1"]; n < 7 || n > 9 {
			t.Errorf("%d ticks in a second, want one each 125 ms", n)
		}
		if n := l.o.Counters.Total("two", ingest.RejectWaitingForBirth); n != 1 {
			t.Errorf("%d rejects, want the one of the lost link", n)
		}
		l.Link(ingest.Link{Source: "two", State: "refused"})
		time.Sleep(time.Second)
		synctest.Wait()
		if count(k.links, "R1 two failing") != 1 || l.o.Counters.Total("two", ingest.RejectDecoderFault) == 0 {
			t.Errorf("a panic in a tick is not told: %v", k.links)
		}
		before := k.samples["R3"]
		l.Offer(ctx, Message{Source: 0, Message: ingest.Message{Rig: "R3", Payload: []byte("10"), Received: time.Now()}})
		synctest.Wait()
		if k.samples["R3"] != before+1 {
			t.Error("the other source does not go on")
		}
	})
}
