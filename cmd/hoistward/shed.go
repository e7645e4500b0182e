package main

import (
	"fmt"
	"strings"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms/watch"
	"hoistward/ingest"
)

// shedHold is how long after the last discarded reading it still counts as discarding.
// Chosen here: a flood that comes in waves is one.
const shedHold = 10 * time.Second

// shedding follows whether readings are discarded: by a source, whose queue holds more
// than the loop takes, or by the recorder.
type shedding struct {
	counts map[string]uint64    // discarded so far, by part
	last   map[string]time.Time // when some were
	told   string
}

// look takes the counts of a moment. It returns the link to tell of, nil where nothing
// changed.
func (s *shedding) look(now time.Time, parts []discards) *ingest.Link {
	if s.counts == nil {
		s.counts, s.last = map[string]uint64{}, map[string]time.Time{}
	}
	var where []string
	for _, p := range parts {
		if p.n > s.counts[p.part] {
			s.counts[p.part] = p.n
			if !p.known {
				s.last[p.part] = now
			}
		}
		if at, ok := s.last[p.part]; ok && now.Sub(at) < shedHold {
			where = append(where, p.part)
		}
	}
	detail := strings.Join(where, "; ")
	if detail == s.told {
		return nil
	}
	s.told = detail
	if detail == "" {
		return &ingest.Link{Source: watch.IntakeLink, State: "keeping up"}
	}
	return &ingest.Link{Source: watch.IntakeLink, State: "discarding", Detail: detail}
}

// discards is how many readings a part has discarded since the start.
type discards struct {
	part  string
	n     uint64
	known bool // another alarm says why: not told
}

// discarded returns the counts of all parts.
func (st *station) discarded() []discards {
	var parts []discards
	for i := range st.sources {
		s := &st.sources[i]
		parts = append(parts, discards{part: fmt.Sprintf("source %s brings more than is taken", s.name), n: s.feed.Stats().Dropped})
	}
	r := st.recorder.Status()
	return append(parts, discards{"the recorder does not keep up", r.Dropped + r.Missed, len(r.Failing) > 0})
}

// watchShedding tells the loop and the log when readings begin to be discarded, and
// when that is over.
func (st *station) watchShedding(u *undo) {
	var s shedding
	eachSecond(u, "watch for discarded readings", func() {
		if link := s.look(st.clock(), st.discarded()); link != nil {
			st.shed.Store(link.Detail != "")
			st.log.Warn("readings", zap.String("state", link.State), zap.String("where", link.Detail))
			st.loop.Link(*link)
		}
	})
}
