package dashboard

import (
	"maps"
	"slices"
	"strconv"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
)

// rigState is what the server keeps of one rig: its newest snapshot, and which
// pages can be heard. Its fields but newest belong to Server.mu.
type rigState struct {
	name   string
	newest atomic.Pointer[frame]
	tile   *heldTile              // of a rig that another monitor watches; nil = none was told
	sound  map[string]soundReport // by page
	pages  int                    // open now
}

func newRigState(name string) *rigState {
	return &rigState{name: name, sound: map[string]soundReport{}}
}

// frame is one published snapshot, ready to be sent.
type frame struct {
	json    []byte // the snapshot's JSON without its closing brace
	at      time.Time
	seq     uint64
	summary Summary
}

// Summary is one rig as the list of rigs shows it.
type Summary struct {
	Rig      string   `json:"rig"`
	Heard    bool     `json:"heard"`   // a snapshot has come
	HeldMs   int64    `json:"held_ms"` // age of the newest snapshot
	NewestMs int64    `json:"newest_ms"`
	ServerMs int64    `json:"server_ms"`
	Activity string   `json:"activity"`
	Height   *float64 `json:"height_m"`
	Blind    string   `json:"blind"`
	Alarms   int      `json:"alarms"`
	Worst    string   `json:"worst"` // priority of the first alarm, "" = none
	Title    string   `json:"title"` // and its title
	Sound    int      `json:"sound_pages"`
	Silent   int      `json:"silent_pages"`
}

// text returns the whole JSON as of now. Two numbers are added to the snapshot:
// held_ms, for how long the server has had it, and sent_ms, the server's clock.
// A page needs them to see that an answer is old although it has just come.
func (f *frame) text(now time.Time) []byte {
	b := make([]byte, 0, len(f.json)+64)
	b = append(b, f.json...)
	b = append(b, `,"held_ms":`...)
	b = strconv.AppendInt(b, max(0, now.Sub(f.at).Milliseconds()), 10)
	b = append(b, `,"sent_ms":`...)
	b = strconv.AppendInt(b, now.UnixMilli(), 10)
	return append(b, '}')
}

// Publish makes snap the newest of its rig and wakes the pages that show it. It
// never waits for a page, keeps nothing of snap, and may be called from many
// goroutines.
func (s *Server) Publish(snap *Snapshot) {
	s.note(snap)
	text, cleaned, err := marshal(snap)
	if err != nil {
		if s.broken.Add(1) == 1 {
			s.opts.Log.Error("snapshot cannot be written as JSON and is not shown",
				zap.String("rig", snap.Rig), zap.Error(err))
		}
		return
	}
	if cleaned > 0 && s.cleaned.Add(uint64(cleaned)) == uint64(cleaned) {
		s.opts.Log.Warn("snapshot holds numbers that are not finite: shown as not known",
			zap.String("rig", snap.Rig), zap.Int("numbers", cleaned))
	}
	f := &frame{json: text[:len(text)-1], at: s.opts.Now(), seq: snap.Seq, summary: summarize(snap)}

	s.mu.Lock()
	defer s.mu.Unlock()
	rig := s.rigs[snap.Rig]
	if rig == nil {
		rig = newRigState(snap.Rig)
		s.rigs[snap.Rig] = rig
	}
	if old := rig.newest.Load(); old != nil && old.seq > snap.Seq && old.summary.ServerMs > snap.ServerMs {
		return // a goroutine that was overtaken
	}
	rig.newest.Store(f)
	for c := range s.clients {
		if c.rig == rig {
			select {
			case c.wake <- struct{}{}:
			default:
			}
		}
	}
}

// heldTile is a tile with the moment it came.
type heldTile struct {
	tile Tile
	at   time.Time
}

// PublishTile makes t what the lists of rigs say of its rig, for as long as no newer
// snapshot comes: of a rig that another monitor watches, and that no page shows here. It
// may be called from many goroutines.
func (s *Server) PublishTile(t Tile) {
	s.mu.Lock()
	defer s.mu.Unlock()
	rig := s.rigs[t.Rig]
	if rig == nil {
		rig = newRigState(t.Rig)
		s.rigs[t.Rig] = rig
	}
	if rig.tile == nil || rig.tile.tile.ServerMs <= t.ServerMs {
		rig.tile = &heldTile{t, s.opts.Now()}
	}
}

// summary is what the newer of tile and snapshot says.
func (r *rigState) summary(now time.Time) Summary {
	f := r.newest.Load()
	if r.tile != nil && (f == nil || f.summary.ServerMs < r.tile.tile.ServerMs) {
		t := &r.tile.tile
		return Summary{
			Rig: t.Rig, Heard: true, HeldMs: max(0, now.Sub(r.tile.at).Milliseconds()), NewestMs: t.NewestMs, ServerMs: t.ServerMs,
			Activity: t.Activity, Height: t.Height, Blind: t.Blind, Alarms: t.Alarms, Worst: t.Priority, Title: t.Title,
		}
	}
	if f == nil {
		return Summary{Rig: r.name}
	}
	sum := f.summary
	sum.HeldMs = max(0, now.Sub(f.at).Milliseconds())
	return sum
}

func summarize(snap *Snapshot) Summary {
	sum := Summary{
		Rig: snap.Rig, Heard: true, NewestMs: snap.NewestMs, ServerMs: snap.ServerMs,
		Activity: snap.Estimate.Activity, Blind: snap.Estimate.Blind, Alarms: len(snap.Alarms),
	}
	if h := snap.Estimate.Height; h != nil {
		sum.Height = Num(*h)
	}
	if len(snap.Alarms) > 0 {
		sum.Worst, sum.Title = snap.Alarms[0].Priority, snap.Alarms[0].Title
	}
	return sum
}

// Watched tells whether a page shows the rig now.
func (s *Server) Watched(rig string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	state := s.rigs[rig]
	return state != nil && state.pages > 0
}

func (s *Server) freshen(rig *rigState) {
	if s.opts.Fresh != nil {
		s.opts.Fresh(rig.name)
	}
}

// lookup returns the rig's state, nil when there is no such rig.
func (s *Server) lookup(name string) *rigState {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.rigs[name]
}

// Summaries lists the rigs by name.
func (s *Server) Summaries() []Summary {
	now := s.opts.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	list := make([]Summary, 0, len(s.rigs))
	for _, name := range slices.Sorted(maps.Keys(s.rigs)) {
		rig := s.rigs[name]
		sum := rig.summary(now)
		sum.Sound, sum.Silent = rig.countSound(now)
		list = append(list, sum)
	}
	return list
}
