package dashboard

import (
	"bytes"
	"maps"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gorilla/websocket"
	"go.uber.org/zap"
)

// rigState is what the server keeps of one rig: its newest snapshot, who watches it,
// and which pages can be heard.
type rigState struct {
	name   string
	newest atomic.Pointer[frame]
	row    atomic.Pointer[row] // of the newest snapshot, or of a newer tile that came without one

	mu      sync.Mutex // of the storing of newest, and of clients
	clients map[*client]struct{}

	sound map[string]soundReport // by page; belongs to Server.mu
}

func newRigState(name string) *rigState {
	return &rigState{name: name, clients: map[*client]struct{}{}, sound: map[string]soundReport{}}
}

// frame is one published snapshot, ready to be sent.
type frame struct {
	json    []byte // the snapshot's JSON without its closing brace
	at      time.Time
	seq     uint64
	summary Summary

	mu     sync.Mutex
	shared *websocket.PreparedMessage // made for pages that send at about the same time
	made   time.Time
}

// Summary is one rig as the list of rigs shows it.
type Summary struct {
	Rig       string   `json:"rig"`
	Heard     bool     `json:"heard"`   // a snapshot has come
	HeldMs    int64    `json:"held_ms"` // age of the newest snapshot
	NewestMs  int64    `json:"newest_ms"`
	SilenceMs int64    `json:"silence_ms"`
	ServerMs  int64    `json:"server_ms"`
	Activity  string   `json:"activity"`
	Height    *float64 `json:"height_m"`
	Blind     string   `json:"blind"`
	Alarms    int      `json:"alarms"`
	Worst     string   `json:"worst"` // priority of the first alarm, "" = none
	Title     string   `json:"title"` // and its title
	Sound     int      `json:"sound_pages"`
	Silent    int      `json:"silent_pages"`
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

// sharedFor is how long one text serves every page. It says that it was sent so much
// too early at the most, which makes what it carries look older, never younger.
const sharedFor = 20 * time.Millisecond

// message returns the text as of now, or as of at most sharedFor before, as a
// WebSocket frame that many connections can send.
func (f *frame) message(now time.Time) (*websocket.PreparedMessage, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if age := now.Sub(f.made); f.shared != nil && age >= 0 && age < sharedFor {
		return f.shared, nil
	}
	m, err := websocket.NewPreparedMessage(websocket.TextMessage, f.text(now))
	if err != nil {
		return nil, err
	}
	f.shared, f.made = m, now
	return m, nil
}

// Publish makes snap the newest of its rig and wakes the pages that show it. It
// never waits for a page, keeps nothing of snap, and may be called from many
// goroutines.
func (s *Server) Publish(snap *Snapshot) {
	s.note(snap)
	f, r, err := s.frameOf(snap)
	if err != nil {
		if s.broken.Add(1) == 1 {
			s.opts.Log.Error("snapshot cannot be written as JSON and is not shown",
				zap.String("rig", snap.Rig), zap.Error(err))
		}
		return
	}
	rig := s.know(snap.Rig)
	rig.mu.Lock()
	defer rig.mu.Unlock()
	old := rig.newest.Load()
	if old != nil && old.seq > snap.Seq && old.summary.ServerMs > snap.ServerMs {
		return // a goroutine that was overtaken
	}
	rig.newest.Store(f)
	rig.show(r)
	for c := range rig.clients {
		select {
		case c.wake <- struct{}{}:
		default:
		}
	}
}

// frameOf makes all that pages are sent of snap: once, however many they are.
func (s *Server) frameOf(snap *Snapshot) (*frame, *row, error) {
	text, cleaned, err := marshal(snap)
	if err != nil {
		return nil, nil, err
	}
	if cleaned > 0 && s.cleaned.Add(uint64(cleaned)) == uint64(cleaned) {
		s.opts.Log.Warn("snapshot holds numbers that are not finite: shown as not known",
			zap.String("rig", snap.Rig), zap.Int("numbers", cleaned))
	}
	f := &frame{json: text[:len(text)-1], at: s.opts.Now(), seq: snap.Seq, summary: summarize(snap)}
	alarms, err := alarmRowsOf(snap)
	if err != nil {
		return nil, nil, err
	}
	r, err := s.rowOf(TileOf(snap), alarms)
	return f, r, err
}

// know returns the state of a rig, a new one the first time.
func (s *Server) know(name string) *rigState {
	s.mu.Lock()
	defer s.mu.Unlock()
	rig := s.rigs[name]
	if rig == nil {
		rig = newRigState(name)
		s.rigs[name] = rig
		s.listRig(rig)
	}
	return rig
}

// listRig adds a rig to the list that fleet pages go through; s.mu is held.
func (s *Server) listRig(rig *rigState) {
	old := *s.listed.Load()
	list := append(old[:len(old):len(old)], rig) // a copy: the old one is being read
	s.listed.Store(&list)
}

// PublishTile makes t what the lists of rigs say of its rig, for as long as no newer
// snapshot comes: of a rig that another monitor watches, and that no page shows here. It
// may be called from many goroutines.
func (s *Server) PublishTile(t Tile) {
	alarms, err := tileAlarmRows(&t)
	if err != nil {
		s.broken.Add(1)
		return
	}
	r, err := s.rowOf(t, alarms)
	if err != nil {
		s.broken.Add(1)
		return
	}
	rig := s.know(t.Rig)
	rig.mu.Lock()
	defer rig.mu.Unlock()
	if old := rig.row.Load(); old == nil || old.tile.ServerMs <= t.ServerMs {
		rig.show(r)
	}
}

// show makes r the rig's row, unless a newer tile came without a snapshot; r.mu is held.
func (rig *rigState) show(r *row) {
	if old := rig.row.Load(); old != nil {
		if old.tile.ServerMs > r.tile.ServerMs && old.tile.Seq > r.tile.Seq {
			return
		}
		if bytes.Equal(old.alarms.text, r.alarms.text) {
			r.alarms = old.alarms
		}
	}
	rig.row.Store(r)
}

// summary is what the newer of tile and snapshot says.
func (rig *rigState) summary(now time.Time) Summary {
	f, r := rig.newest.Load(), rig.row.Load()
	if r != nil && (f == nil || f.summary.ServerMs < r.tile.ServerMs) {
		t := &r.tile
		return Summary{
			Rig: t.Rig, Heard: true, HeldMs: max(0, now.Sub(r.at).Milliseconds()), NewestMs: t.NewestMs, SilenceMs: t.SilenceMs, ServerMs: t.ServerMs,
			Activity: t.Activity, Height: t.Height, Blind: t.Blind, Alarms: t.Alarms, Worst: t.Priority, Title: t.Title,
		}
	}
	if f == nil {
		return Summary{Rig: rig.name}
	}
	sum := f.summary
	sum.HeldMs = max(0, now.Sub(f.at).Milliseconds())
	return sum
}

func summarize(snap *Snapshot) Summary {
	sum := Summary{
		Rig: snap.Rig, Heard: true, NewestMs: snap.NewestMs, SilenceMs: snap.SilenceMs, ServerMs: snap.ServerMs,
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

// Watched tells whether a page of its own shows the rig now.
func (s *Server) Watched(rig string) bool {
	cabins, _ := s.Watching(rig)
	return cabins
}

// Watching tells whether a page of its own shows the rig now, which wants every
// snapshot, and whether a page of many rigs does, which takes ten a second at the most.
func (s *Server) Watching(rig string) (cabins, fleet bool) {
	state := s.lookup(rig)
	if state == nil {
		return false, false
	}
	state.mu.Lock()
	defer state.mu.Unlock()
	return len(state.clients) > 0, s.fleetPages.Load() > 0
}

// Looked tells whether a page is open, or somebody asked for a rig or for the list of
// them within the last span.
func (s *Server) Looked(span time.Duration) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.clients) > 0 || !s.looked.IsZero() && s.opts.Now().Sub(s.looked) < span
}

func (s *Server) freshen(rig *rigState) {
	s.mu.Lock()
	s.looked = s.opts.Now()
	s.mu.Unlock()
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
	s.looked = now
	list := make([]Summary, 0, len(s.rigs))
	for _, name := range slices.Sorted(maps.Keys(s.rigs)) {
		rig := s.rigs[name]
		sum := rig.summary(now)
		sum.Sound, sum.Silent = rig.countSound(now)
		list = append(list, sum)
	}
	return list
}
