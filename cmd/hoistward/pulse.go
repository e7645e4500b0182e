package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"go.uber.org/zap"

	"hoistward/alarms/notify"
	"hoistward/alarms/pulse"
	"hoistward/configs"
)

// heart tells others that the monitor watches. The loop itself makes each beat, when it
// has gone round; the goroutine here carries it out, and looks at the queues beside the
// loop. A loop that stands makes no beat, whatever else goes on.
type heart struct {
	st    *station
	beats chan struct{}
	lag   atomic.Int64 // ns, the longest wait of a message since the last look
	sick  atomic.Pointer[[]string]

	mu      sync.Mutex
	round   *pulse.Round
	began   time.Time // of the round under way
	ways    []pulse.Way
	taken   []uint64 // by source, at the last look
	sources []pulse.Source
	dropped lately
	shed    lately
	ahead   time.Duration // of the wall's clock at the start

	count uint64 // of beats; of run alone
	ready bool
}

func newHeart(st *station) *heart {
	now := time.Now()
	h := &heart{st: st, beats: make(chan struct{}, 1), round: pulse.NewRound(rigNames(st.site), now), began: now}
	h.sick.Store(&[]string{})
	if st.wall != nil {
		h.ahead = st.wall().Sub(st.clock())
	}
	return h
}

// turned is told of each entry, in the loop's goroutine.
func (h *heart) turned(rig string, reading bool) {
	now := time.Now()
	h.mu.Lock()
	whole := h.round.Turn(rig, reading, now)
	if whole {
		h.began = now
	}
	h.mu.Unlock()
	if whole {
		select {
		case h.beats <- struct{}{}:
		default: // the one before is not out yet: it says the same
		}
	}
}

// waited is told how long each message waited for its decision.
func (h *heart) waited(d time.Duration) {
	for {
		old := h.lag.Load()
		if int64(d) <= old || h.lag.CompareAndSwap(old, int64(d)) {
			return
		}
	}
}

// words is what the page shows of the monitor's own health.
func (h *heart) words() []string { return *h.sick.Load() }

// start begins to beat. Sources and page are there.
func (h *heart) start(u *undo) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		h.run(ctx)
	}()
	u.add("heartbeat", func(stop context.Context) error {
		h.tell(daemon.SdNotifyStopping)
		cancel()
		return waitFor(stop, done)
	})
}

func (h *heart) run(ctx context.Context) {
	look := time.NewTicker(pulse.Every)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-look.C:
			h.look()
		case <-h.beats:
			h.beat()
		}
	}
}

// beat goes out when a whole round was made and no queue is stuck.
func (h *heart) beat() {
	s := h.state()
	if len(s.Stuck) > 0 {
		return
	}
	h.count++
	h.st.notifier.Beat(h.message(&s))
	if h.st.pair != nil {
		h.st.pair.beat(s.Watched())
	}
	state := daemon.SdNotifyWatchdog + "\nSTATUS=" + strings.ReplaceAll(s.Words(), "\n", " ")
	if !h.ready {
		h.ready = true
		state += "\n" + daemon.SdNotifyReady
	}
	h.tell(state)
}

// tell tells systemd, where it asked for that.
func (h *heart) tell(state string) {
	if _, err := daemon.SdNotify(false, state); err != nil {
		h.st.log.Warn("systemd cannot be told", zap.Error(err))
	}
}

func (h *heart) member() string {
	if h.st.pair == nil {
		return ""
	}
	return h.st.pair.Member()
}

// beatNames bounds how many rigs a beat names.
const beatNames = 100

// message is the beat as it goes out.
func (h *heart) message(s *pulse.State) []byte {
	b := notify.Beat{Site: h.st.site.Name, Member: h.member(), Count: h.count, At: clockText(h.st.clock()), Every: pulse.Every.Seconds(),
		Rigs: len(s.Rigs), Watched: s.Watched(), Missing: map[string]string{}}
	for i := range s.Rigs {
		if r := &s.Rigs[i]; !r.Watched && len(b.Missing) < beatNames {
			b.Missing[r.Rig] = strings.Join(r.Missing, "; ")
		}
	}
	text, _ := json.Marshal(b) // texts and numbers alone
	return text
}

// state is whether each rig is watched now.
func (h *heart) state() pulse.State {
	now := time.Now()
	h.mu.Lock()
	defer h.mu.Unlock()
	h.lookAtWays(now)
	return h.round.Judge(now, h.sources, h.ways)
}

// answer is what /readyz says.
func (h *heart) answer() (bool, any) {
	s := h.state()
	return s.Watching, struct {
		pulse.State
		Sick         []string `json:"sick"`
		Certificates []string `json:"certificates"` // that ended, or end within 30 days
	}{s, h.words(), h.st.certs.words(time.Now())}
}

// look finds what is wrong with the monitor itself.
func (h *heart) look() {
	s := h.state()
	c := h.condition(time.Now())
	c.Stuck = s.Stuck
	words := c.Sick()
	h.sick.Store(&words)
}

// lookAtWays looks how the queues before and after the loop have moved.
func (h *heart) lookAtWays(now time.Time) {
	st := h.st
	if h.taken == nil {
		h.taken = make([]uint64, len(st.sources))
		h.ways = make([]pulse.Way, len(st.sources)+1)
		for i := range h.ways {
			h.ways[i].Moved = now
		}
	}
	h.sources = h.sources[:0]
	for i := range st.sources {
		src := &st.sources[i]
		n, status := src.feed.Stats(), src.feed.Status()
		taken := n.Received - n.Dropped - uint64(n.Waiting)
		w := &h.ways[i]
		w.Name, w.Waiting = "the queue of source "+src.name, n.Waiting > 0
		if !w.Waiting || taken != h.taken[i] {
			w.Moved = now
		}
		h.taken[i] = taken
		h.sources = append(h.sources, pulse.Source{Name: src.name, State: status.State, Open: status.Open,
			Rigs: onlyRig(&st.site.Sources[i]), Quiet: st.site.Sources[i].QuietAfter})
	}
	page := &h.ways[len(st.sources)]
	waiting, moved := st.pager.moved()
	page.Name, page.Waiting = "the way to the page", waiting
	switch {
	case !waiting:
		page.Moved = now
	case moved.After(page.Moved):
		page.Moved = moved
	}
}

// onlyRig is the rig that a source is of; none where it may bring any.
func onlyRig(s *configs.Source) []string {
	if s.WITS == nil {
		return nil
	}
	return []string{s.WITS.Rig}
}

func (h *heart) condition(now time.Time) pulse.Condition {
	st := h.st
	r, j := st.recorder.Status(), st.journal.Health()
	c := pulse.Condition{Behind: time.Duration(h.lag.Swap(0)), NoRecord: r.Failing, LowSpace: r.LowSpace, Held: j.Held, LostLines: j.Lost}
	h.mu.Lock()
	defer h.mu.Unlock()
	c.Round = now.Sub(h.began)
	c.Shed = h.shed.since(r.Dropped+r.Missed, now)
	var dropped uint64
	for i := range st.sources {
		dropped += st.sources[i].feed.Stats().Dropped
	}
	c.Dropped = h.dropped.since(dropped, now)
	for _, s := range h.sources {
		if !s.Open {
			c.Shut = append(c.Shut, fmt.Sprintf("%s (%s)", s.Name, s.State))
		}
	}
	if st.wall != nil {
		c.ClockOff = st.wall().Sub(st.clock()) - h.ahead
	}
	for _, n := range st.notifier.Status() {
		if n.State == notify.Failing && !n.Shared {
			c.NotTold = strings.TrimPrefix(c.NotTold+"; "+n.Name, "; ")
		}
	}
	return c
}

// lately counts what grew in the last minute.
type lately struct {
	at   [61]uint64 // the count at each second of the last minute
	n    int        // seconds that were looked at
	last time.Time
}

// since takes the count now and returns by how much it grew; looked at each second.
func (l *lately) since(count uint64, now time.Time) uint64 {
	if l.n > 0 && now.Sub(l.last) < pulse.Every/2 {
		return count - l.at[max(0, l.n-len(l.at))%len(l.at)]
	}
	l.at[l.n%len(l.at)] = count
	l.n++
	l.last = now
	return count - l.at[max(0, l.n-len(l.at))%len(l.at)]
}
