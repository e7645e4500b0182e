package group

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nuid"

	"hoistward/alarms/watch"
	"hoistward/ingest"
	"hoistward/ingest/jetstream"
)

// Options are what a Member works with.
type Options struct {
	Name     string // of this member, for people
	Revision int    // of the settings: the higher one counts
	Source   string // text of how readings are read, to compare
	Settings Settings
	Store    *jetstream.Store
	Conn     *nats.Conn
	Counters *ingest.Counters
	Wall     func() time.Time // this machine's clock, to compare the log's with
	// Changed hears of each entry that a rig of this member took, in a goroutine of the
	// rig's partition; fresh is false for what is only caught up with. It must not block.
	Changed func(w *watch.Rig, o *watch.Outcome, fresh bool)
	// Told hears of what happens to the member, in words; must not block.
	Told func(what string, err error)
}

// Chosen here: members hear of each other twice a second and count one out that has
// missed three; all is settled well within 5 s of a death.
const (
	helloEvery = 500 * time.Millisecond
	goneAfter  = 1600 * time.Millisecond
	lookEvery  = 250 * time.Millisecond
	agreeEvery = 2 * time.Second
	tryAgain   = 500 * time.Millisecond
)

const helloSubject = "group.hello"

// Hello is what members tell each other. Nothing but their fair shares goes by it.
type Hello struct {
	ID       string   `json:"id"`
	Name     string   `json:"name"`
	Software string   `json:"software"`
	Held     []int    `json:"held"`
	Trouble  []string `json:"trouble,omitempty"`
	Leaving  bool     `json:"leaving,omitempty"`
}

// Member watches its share of a group's rigs. Make it with New and start it with Run.
type Member struct {
	o  Options
	id string

	mu      sync.Mutex
	others  map[string]heard // by id
	ticked  [jetstream.Partitions]time.Time
	watches map[int]*partition // held or sought
	trouble map[string]string  // what is wrong, by what it is of
}

type heard struct {
	hello Hello
	at    time.Time
}

// New returns a member that has not joined yet.
func New(o Options) *Member {
	if o.Told == nil {
		o.Told = func(string, error) {}
	}
	return &Member{o: o, id: nuid.Next(), others: map[string]heard{}, watches: map[int]*partition{}, trouble: map[string]string{}}
}

// Run watches until ctx ends, and then leaves in order: what is held is kept and given
// back. ErrOther says that the group's settings are others, from the start or since.
func (m *Member) Run(ctx context.Context) error {
	if err := m.agree(ctx); err != nil {
		return err
	}
	subs := []struct {
		subject string
		take    func(*nats.Msg)
	}{{helloSubject, m.hear}, {"log.*." + jetstream.Tick, m.hearTick}}
	for _, s := range subs {
		sub, err := m.o.Conn.Subscribe(s.subject, s.take)
		if err != nil {
			return fmt.Errorf("group: %w", err)
		}
		defer sub.Unsubscribe()
	}
	own, cancel := context.WithCancel(ctx)
	defer cancel()
	err := m.share(own)
	m.leave()
	return err
}

// share takes and gives back partitions until ctx ends or the settings are others.
func (m *Member) share(ctx context.Context) error {
	begun, said, agreed := time.Now(), time.Time{}, time.Now()
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		now := time.Now()
		if now.Sub(said) >= helloEvery {
			said = now
			m.hello(false)
		}
		if now.Sub(agreed) >= agreeEvery {
			agreed = now
			if err := m.agreeStill(ctx); err != nil {
				return err
			}
		}
		if now.Sub(begun) >= goneAfter { // who is there has been heard by now
			m.balance(ctx, now)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// agreeStill looks whether the group's settings are still this member's. Not to know is no
// reason to stop watching.
func (m *Member) agreeStill(ctx context.Context) error {
	ask, cancel := context.WithTimeout(ctx, agreeEvery)
	defer cancel()
	err := m.agree(ask)
	if errors.Is(err, ErrOther) {
		return err
	}
	if ctx.Err() == nil {
		m.say("settings", err)
	}
	return nil
}

// balance gives back what is above this member's share, and seeks what is below it.
func (m *Member) balance(ctx context.Context, now time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	members := 1
	for id, h := range m.others {
		if now.Sub(h.at) > goneAfter {
			delete(m.others, id)
			continue
		}
		members++
	}
	share := (jetstream.Partitions + members - 1) / members
	held := 0
	for _, p := range m.watches {
		if p.held.Load() {
			held++
		}
	}
	for n := range jetstream.Partitions {
		p := m.watches[n]
		switch {
		case held > share && p != nil && p.held.Load():
			p.stop()
			held = 0 // one at a time: the rest is looked at again
			return
		case held >= share && p != nil && !p.held.Load():
			p.stop()
		case held < share && p == nil:
			p = m.newPartition(ctx, n)
			m.watches[n] = p
			go p.run()
		}
	}
}

// full tells whether this member has its share: what it is given beyond that it gives
// back at once.
func (m *Member) full() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	held := 0
	for _, p := range m.watches {
		if p.held.Load() {
			held++
		}
	}
	return held*(len(m.others)+1) >= jetstream.Partitions
}

// leave waits until all partitions are given back.
func (m *Member) leave() {
	m.mu.Lock()
	all := slices.Collect(maps.Values(m.watches))
	m.mu.Unlock()
	for _, p := range all {
		p.stop()
	}
	for _, p := range all {
		<-p.done
	}
	m.hello(true)
	_ = m.o.Conn.FlushTimeout(time.Second)
}

func (m *Member) hello(leaving bool) {
	h := Hello{ID: m.id, Name: m.o.Name, Software: m.o.Settings.Software, Held: m.Held(), Trouble: m.Trouble(), Leaving: leaving}
	text, err := json.Marshal(h)
	if err == nil {
		err = m.o.Conn.Publish(helloSubject, text)
	}
	m.say("hello", err)
}

func (m *Member) hear(msg *nats.Msg) {
	var h Hello
	if json.Unmarshal(msg.Data, &h) != nil || h.ID == m.id || h.ID == "" {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if h.Leaving {
		delete(m.others, h.ID)
		return
	}
	m.others[h.ID] = heard{h, time.Now()}
}

func (m *Member) hearTick(msg *nats.Msg) {
	parts := strings.Split(msg.Subject, ".")
	if n, err := strconv.Atoi(parts[1]); err == nil && n >= 0 && n < jetstream.Partitions {
		m.mu.Lock()
		m.ticked[n] = time.Now()
		m.mu.Unlock()
	}
}

// untold tells whether a partition has had no tick for two of its periods.
func (m *Member) untold(n int) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return time.Since(m.ticked[n]) > 2*TickEvery
}

// Held returns the partitions that this member has, in order.
func (m *Member) Held() []int {
	m.mu.Lock()
	defer m.mu.Unlock()
	held := []int{}
	for n := range jetstream.Partitions {
		if p := m.watches[n]; p != nil && p.watching.Load() {
			held = append(held, n)
		}
	}
	return held
}

// Lag returns how many records of the partitions that this member has wait to be played,
// and when the servers took the oldest of the newest that were played; zero = none was.
func (m *Member) Lag() (waiting int64, played time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, p := range m.watches {
		if !p.held.Load() {
			continue
		}
		waiting += p.waiting.Load()
		if at := time.UnixMilli(p.newest.Load()).UTC(); played.IsZero() || at.Before(played) {
			played = at
		}
	}
	return waiting, played
}

// Members returns the other members that are heard of now, by name.
func (m *Member) Members() []Hello {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []Hello
	for _, h := range m.others {
		out = append(out, h.hello)
	}
	slices.SortFunc(out, func(a, b Hello) int { return strings.Compare(a.Name+a.ID, b.Name+b.ID) })
	return out
}

// Trouble returns what is wrong now, in words.
func (m *Member) Trouble() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []string
	for _, what := range slices.Sorted(maps.Keys(m.trouble)) {
		out = append(out, m.trouble[what])
	}
	return out
}

// say remembers what is wrong with what, nil = nothing, and tells of each change.
func (m *Member) say(what string, err error) {
	words := ""
	if err != nil {
		words = err.Error()
	}
	m.mu.Lock()
	was := m.trouble[what]
	if words == "" {
		delete(m.trouble, what)
	} else {
		m.trouble[what] = words
	}
	m.mu.Unlock()
	if was != words {
		m.o.Told(what, err)
	}
}

func (m *Member) drop(n int, p *partition) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.watches[n] == p {
		delete(m.watches, n)
	}
}

// Act offers a person's act to the log, from whichever member, and returns when it is in
// the journal of the rig's partition, or with the reason why it was refused: acts name the
// occurrence and version that the person saw, and are refused where those are no longer so.
func (m *Member) Act(ctx context.Context, rig string, act ingest.Act) error {
	if _, ok := m.o.Settings.Sessions[rig]; !ok {
		return fmt.Errorf("got the rig %.40q, want one that is watched", rig)
	}
	q := Request{ID: nuid.Next(), Act: act}
	text, err := json.Marshal(q)
	if err != nil {
		return err
	}
	sub, err := m.o.Conn.SubscribeSync(AnswerSubject(q.ID))
	if err != nil {
		return fmt.Errorf("group: %w", err)
	}
	defer sub.Unsubscribe()
	if _, err := m.o.Store.Offer(ctx, rig, jetstream.Act, text); err != nil {
		return fmt.Errorf("not known whether it was taken: %w", err)
	}
	msg, err := sub.NextMsgWithContext(ctx)
	if err != nil {
		return fmt.Errorf("it is in the log, but no member has answered yet: %w", err)
	}
	var a Answer
	if err := json.Unmarshal(msg.Data, &a); err != nil {
		return fmt.Errorf("group: answer: %w", err)
	}
	if a.Refused != "" {
		return errors.New(a.Refused)
	}
	return nil
}
