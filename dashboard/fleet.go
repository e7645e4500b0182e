package dashboard

import (
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"sync"
	"time"

	"hoistward/dashboard/access"

	"github.com/gorilla/websocket"
)

// What a page of many rigs is sent: one message with everything first, then only what
// has changed since, all rigs in one message. Beyond what is in them the messages carry:
//
//	seq      counts the messages of one connection from 1: a page that misses one asks anew
//	sent_ms  the server's clock
//	whole    this is the first
//	order    names of all rigs, those that need a person most first
//	tiles    Tile, of the rigs that have a new one
//	alarms   rigAlarms, of the rigs where something in it is new
//	watching who watches which rig, whenever that changes
const (
	fleetEvery = time.Second / perClient // between two looks for something new
	fleetAlive = 500 * time.Millisecond  // after this a message is sent though nothing is new
	orderEvery = 250 * time.Millisecond  // between two looks at the order
)

func (s *Server) watchFleet(w http.ResponseWriter, r *http.Request) {
	s.attend(w, r, nil, &fleetOutlet{server: s}, fleetEvery)
}

// fleetOutlet is what one page of many rigs has been sent so far.
type fleetOutlet struct {
	server   *Server
	seq      uint64
	at       time.Time
	rigs     []sentRig // as Server.listed
	names    []string  // in order
	watching uint64    // version
	text     []byte    // room for the next message
}

type sentRig struct{ tile, alarms uint64 } // ids, 0 = none

// newer is always so: what is told apart is in send, where it is gathered.
func (o *fleetOutlet) newer() bool { return true }

func (o *fleetOutlet) send(c *client, now time.Time) error {
	rigs := *o.server.listed.Load()
	for len(o.rigs) < len(rigs) {
		o.rigs = append(o.rigs, sentRig{})
	}
	first, wall := o.seq == 0, time.Now() // the server's clock may be a simulation's
	b := append(o.text[:0], `{"seq":`...)
	b = strconv.AppendUint(b, o.seq+1, 10)
	b = append(b, `,"sent_ms":`...)
	b = strconv.AppendInt(b, now.UnixMilli(), 10)
	b = append(b, `,"whole":`...)
	b = strconv.AppendBool(b, first)
	bare := len(b)
	sees := c.seat.Sees
	b = o.appendOrder(b, rigs, now, sees)
	b = o.appendTiles(b, rigs, sees)
	b = o.appendAlarms(b, rigs, sees)
	if w := o.server.watching(rigs, wall); w.version != o.watching {
		o.watching = w.version
		b = append(b, `,"watching":`...)
		b = append(b, w.of(c.seat)...)
	}
	o.text = append(b, '}')
	if len(b) == bare && !first && wall.Sub(o.at) < fleetAlive {
		return nil
	}
	o.seq++
	o.at = wall
	return c.put(func() error { return c.conn.WriteMessage(websocket.TextMessage, o.text) })
}

func (o *fleetOutlet) appendOrder(b []byte, rigs []*rigState, now time.Time, sees func(string) bool) []byte {
	names := make([]string, 0, len(rigs))
	for _, name := range o.server.order.of(rigs, now) {
		if sees(name) {
			names = append(names, name)
		}
	}
	if o.names != nil && slices.Equal(names, o.names) {
		return b
	}
	o.names = names
	b = append(b, `,"order":`...)
	text, _ := json.Marshal(names) // strings always can
	return append(b, text...)
}

func (o *fleetOutlet) appendTiles(b []byte, rigs []*rigState, sees func(string) bool) []byte {
	n := 0
	for i, rig := range rigs {
		r := rig.row.Load()
		if r == nil || r.id == o.rigs[i].tile || !sees(rig.name) {
			continue
		}
		o.rigs[i].tile = r.id
		b = appendRow(b, "tiles", n, r.text)
		n++
	}
	return closeRows(b, n)
}

func (o *fleetOutlet) appendAlarms(b []byte, rigs []*rigState, sees func(string) bool) []byte {
	n := 0
	for i, rig := range rigs {
		r := rig.row.Load()
		if r == nil || r.alarms.id == o.rigs[i].alarms || !sees(rig.name) {
			continue
		}
		o.rigs[i].alarms = r.alarms.id
		b = appendRow(b, "alarms", n, r.alarms.text)
		n++
	}
	return closeRows(b, n)
}

func appendRow(b []byte, name string, n int, row []byte) []byte {
	if n == 0 {
		b = append(b, `,"`...)
		b = append(b, name...)
		b = append(b, `":[`...)
	} else {
		b = append(b, ',')
	}
	return append(b, row...)
}

func closeRows(b []byte, n int) []byte {
	if n > 0 {
		b = append(b, ']')
	}
	return b
}

// row is one rig on a page of many, ready to be sent.
type row struct {
	id     uint64 // no other row of this server has it
	at     time.Time
	tile   Tile
	text   []byte     // the tile's JSON
	alarms *alarmRows // the one before, where nothing in it has changed
}

func (s *Server) rowOf(t Tile, alarms *alarmRows) (*row, error) {
	text, err := json.Marshal(t.rounded())
	r := &row{id: s.rows.Add(1), at: s.opts.Now(), tile: t, text: text, alarms: alarms}
	alarms.id = r.id
	return r, err
}

// alarmRows are the alarms of one rig as a page of many rigs lists them, as JSON.
type alarmRows struct {
	id   uint64 // of the row that they came with first
	text []byte
}

type rigAlarms struct {
	Rig       string       `json:"rig"`
	Elsewhere bool         `json:"elsewhere"` // another monitor watches it: only the first is known here
	Standing  []fleetAlarm `json:"standing"`
	Shelved   []AsideView  `json:"shelved"`
	Removed   []AsideView  `json:"out_of_service"`
}

type fleetAlarm struct {
	Alarm      string `json:"alarm"`
	Channel    string `json:"channel,omitempty"`
	Title      string `json:"title"`
	State      string `json:"state"`
	Priority   string `json:"priority"`
	Reason     string `json:"reason"`
	Occurrence uint64 `json:"occurrence"`
	Version    uint64 `json:"version"`
	SinceMs    int64  `json:"since_ms"`
	Active     bool   `json:"active"`
	CanAck     bool   `json:"can_ack"`
	InputBad   bool   `json:"input_bad,omitempty"`
	Hidden     int    `json:"hidden,omitempty"`
	SeenBy     string `json:"acknowledged_by,omitempty"`
}

func alarmRowsOf(snap *Snapshot) (*alarmRows, error) {
	list := make([]fleetAlarm, 0, len(snap.Alarms))
	for i := range snap.Alarms {
		a := &snap.Alarms[i]
		if a.putAside() {
			continue
		}
		list = append(list, fleetAlarm{
			Alarm: a.Alarm, Channel: a.Channel, Title: a.Title, State: a.State, Priority: a.Priority, Reason: a.Reason,
			Occurrence: a.Occurrence, Version: a.Version, SinceMs: a.SinceMs, Active: a.Active, CanAck: a.CanAck,
			InputBad: a.InputBad, Hidden: a.Hidden, SeenBy: a.SeenBy,
		})
	}
	return (&rigAlarms{snap.Rig, false, list, append([]AsideView{}, snap.Shelved...), append([]AsideView{}, snap.Removed...)}).rows()
}

// tileAlarmRows is what a tile alone tells: its first alarm.
func tileAlarmRows(t *Tile) (*alarmRows, error) {
	list := []fleetAlarm{}
	if t.Priority != "" {
		list = append(list, fleetAlarm{Alarm: t.Alarm, Title: t.Title, Priority: t.Priority, Active: true, Hidden: t.Alarms - 1})
	}
	return (&rigAlarms{t.Rig, true, list, []AsideView{}, []AsideView{}}).rows()
}

func (a *rigAlarms) rows() (*alarmRows, error) {
	text, err := json.Marshal(a)
	return &alarmRows{text: text}, err
}

// maxNamed is how many people of one rig are named; the pages are counted all the same.
const maxNamed = 8

type watchers struct {
	Rig   string   `json:"rig"` // "" = all rigs, on this page
	Pages int      `json:"pages"`
	Who   []string `json:"who"` // without those who gave no name
}

// watchList is who watches what, for all pages of many rigs.
type watchList struct {
	version uint64 // from 1
	seen    uint64 // Server.presence, when it was made
	at      time.Time
	list    []*watchers
	text    []byte // JSON of all of it
}

// watchEvery is the least time between two of them: of many pages that come at once each
// would otherwise be told of each.
const watchEvery = 500 * time.Millisecond

// watching says who watches which of rigs: those that somebody watches.
func (s *Server) watching(rigs []*rigState, wall time.Time) *watchList {
	old := s.watched.Load()
	if seen := s.presence.Load(); old != nil && (old.seen == seen || wall.Sub(old.at) < watchEvery) {
		return old
	}
	s.watchMake.Lock()
	defer s.watchMake.Unlock()
	if s.watched.Load() != old { // another page has made it
		return s.watched.Load()
	}
	w := &watchList{version: 1, seen: s.presence.Load(), at: wall}
	if old != nil {
		w.version = old.version + 1
	}
	w.list = s.watchers(rigs)
	w.text, _ = json.Marshal(w.list) // strings and whole numbers always can
	s.watched.Store(w)
	return w
}

// of returns what seat may know of it, as JSON.
func (w *watchList) of(seat access.Seat) []byte {
	if seat.Sees(access.AllRigs) {
		return w.text
	}
	own := slices.DeleteFunc(slices.Clone(w.list), func(x *watchers) bool { return x.Rig != "" && !seat.Sees(x.Rig) })
	text, _ := json.Marshal(own) // as above
	return text
}

func (s *Server) watchers(rigs []*rigState) []*watchers {
	of := map[*rigState]*watchers{}
	s.mu.Lock()
	for c := range s.clients {
		w := of[c.rig]
		if w == nil {
			w = &watchers{Who: []string{}}
			if c.rig != nil {
				w.Rig = c.rig.name
			}
			of[c.rig] = w
		}
		w.Pages++
		if c.person != "" && !slices.Contains(w.Who, c.person) {
			w.Who = append(w.Who, c.person)
		}
	}
	s.mu.Unlock()
	list := []*watchers{}
	for _, rig := range append([]*rigState{nil}, rigs...) {
		if w := of[rig]; w != nil {
			slices.Sort(w.Who)
			w.Who = w.Who[:min(len(w.Who), maxNamed)]
			list = append(list, w)
		}
	}
	return list
}

// fleetOrder is the order of rigs that all pages share.
type fleetOrder struct {
	mu    sync.Mutex
	order Order
	at    time.Time
	names []string // nil = none yet
}

// of returns the names of rigs in order, made anew when the last is orderEvery old. They
// are not to be written to.
func (f *fleetOrder) of(rigs []*rigState, now time.Time) []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.names != nil && time.Since(f.at) < orderEvery {
		return f.names
	}
	f.at = time.Now()
	tiles := make([]Tile, len(rigs))
	for i, rig := range rigs {
		if r := rig.row.Load(); r != nil {
			tiles[i] = r.tile
		}
		tiles[i].Rig = rig.name
	}
	f.names = f.order.Next(tiles, now.UnixMilli())
	return f.names
}
