package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms/notify"
	"hoistward/alarms/pair"
	"hoistward/configs"
	"hoistward/ingest/mqtt"
)

// pairFile keeps, in the data folder, up to which of the other member's acts this one has
// taken.
const pairFile = "pair.json"

// pairKeepAlive is how long the links to the pair's broker may say nothing, and wait for
// anything.
const pairKeepAlive = 2 * time.Second

// pairTopic is where the members of a site's pair hear each other; below it each writes
// topics of its own name alone.
func pairTopic(site string) string { return "hoistward/pair/" + site }

// pairing is this monitor as one of a pair: the decisions are package pair's, here is
// what hears, says and keeps.
type pairing struct {
	st     *station
	cfg    *configs.Pair
	main   string // the destination where both hear what is told
	client *mqtt.Client
	log    *zap.Logger
	failed func(error) // this one may not be of the pair
	names  []string    // of the destinations
	others []string    // of them, all but main
	stop   context.CancelFunc
	group  sync.WaitGroup

	beats chan []byte
	carry chan carried
	turn  chan struct{}

	saying sync.Mutex // held while our acts are sent; before mu

	mu     sync.Mutex
	notify *notify.Notifier           // nil until it is open
	kept   map[string][]pair.Standing // by rig, as the broker kept it at the start
	state  pair.State
	in     pair.Input
	ledger *pair.Ledger
	relay  *pair.Relay
	lost   map[string]uint64 // by destination, what the relay gave up and is said
	rewind map[string]int64  // by destination, since this one speaks
	settle time.Time         // when it is looked whether what was told still holds
	acts   pair.Acts
	seen   map[string]uint64 // by member, the version of its acts that was taken
	said   uint64            // the version of ours that stands with the broker
	count  uint64
}

// carried are acts of the other member that are to be done here.
type carried struct {
	from string
	acts []pair.Made
}

// openPair makes the pairing, where the site has one. Notifications are not open yet.
func (st *station) openPair() error {
	c := st.site.Pair
	if c == nil {
		return nil
	}
	brokers := alarmBrokers(st.site)
	if len(brokers) == 0 {
		return usagef("pair: got no broker that alarms go to, want one")
	}
	p := &pairing{st: st, cfg: c, main: brokers[0].Name, log: st.log.Named("pair"), failed: st.fail,
		beats: make(chan []byte, 1), carry: make(chan carried, 64), turn: make(chan struct{}, 1),
		ledger: pair.NewLedger(), relay: pair.NewRelay(elsewhere(st.site)...), others: elsewhere(st.site), lost: map[string]uint64{}, rewind: map[string]int64{}, acts: pair.Acts{Member: c.Member}, seen: map[string]uint64{}, kept: map[string][]pair.Standing{}}
	p.state.Since = time.Now()
	p.in = pair.Input{AloneAfter: c.AloneAfter, Me: pair.Beat{Member: c.Member, Life: strings.ToLower(rand.Text()[:12]),
		Software: "hoistward " + version, Rigs: st.site.RigsDigest()}}
	if err := p.load(); err != nil {
		return err
	}
	link := brokers[0].Link
	link.ClientID = ""
	link.Name, link.Log = "pair", p.log
	link.QoS = 0 // what comes while the link is gone would not come again with 1 either
	link.Filters = []string{pairTopic(st.site.Name) + "/#", "hoist/+/alarms/#"}
	link.QuietAfter = 100 * 24 * time.Hour
	link.KeepAlive, link.ConnectTimeout, link.WriteTimeout, link.PublishTimeout = pairKeepAlive, pairKeepAlive, pairKeepAlive, pairKeepAlive
	link.RetryMin, link.RetryMax = 200*time.Millisecond, time.Second
	link.Presence = func(time.Time) mqtt.Presence {
		return mqtt.Presence{Topic: p.topic(), Here: p.text(false), Gone: p.text(true),
			Denies: func(b []byte) bool { return strings.Contains(string(b), `"gone":true`) }}
	}
	var err error
	if p.client, err = mqtt.New(link); err != nil {
		return usageError{err}
	}
	st.pair = p
	for r, err := range notify.Lines(filepath.Join(st.site.Data, journalFile), ownLines) {
		if err != nil {
			p.log.Warn("the journal cannot be read for what stands", zap.Error(err))
			break
		}
		p.mu.Lock()
		p.ledger.Own(&r.Event, r.Before, r.Seq)
		p.mu.Unlock()
	}
	ctx, cancel := context.WithCancel(context.Background())
	p.stop = cancel
	p.group.Go(func() { p.hear(ctx) })
	p.client.Start()
	p.wait()
	return nil
}

// elsewhere names the destinations that only one of the pair sends to at a time.
func elsewhere(site *configs.Site) (names []string) {
	for _, b := range alarmBrokers(site)[1:] {
		names = append(names, b.Name)
	}
	for _, w := range site.Notify.Webhooks {
		names = append(names, w.Name)
	}
	return names
}

// What the broker keeps comes within a moment of the subscription; without the broker
// the monitor starts without it. Chosen here.
const (
	joinLimit  = 2 * time.Second
	joinMoment = 500 * time.Millisecond
)

// wait returns when what the broker keeps of the rigs was heard.
func (p *pairing) wait() {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	begun, open := time.Now(), time.Time{}
	for now := range tick.C {
		if open.IsZero() && p.client.Status().State.Open() {
			open = now
		}
		if now.Sub(begun) > joinLimit || !open.IsZero() && now.Sub(open) > joinMoment {
			return
		}
	}
}

// join returns a rig's saved state with what came while this member was away.
func (p *pairing) join(rig, state string) (string, error) {
	p.mu.Lock()
	standing := p.kept[rig]
	p.mu.Unlock()
	return pair.Join(state, standing)
}

func (p *pairing) topic() string     { return pairTopic(p.st.site.Name) + "/" + p.cfg.Member }
func (p *pairing) actsTopic() string { return p.topic() + "/acts" }

// text is this member's beat as it stands.
func (p *pairing) text(gone bool) []byte {
	p.mu.Lock()
	b := p.in.Me
	b.Count, b.Term, b.Speaks, b.Gone = p.count, p.state.Term, p.state.Role.Speaks() && !gone, gone
	p.mu.Unlock()
	b.At = clockText(p.st.clock())
	if n := p.notifier(); n != nil {
		b.Journal, b.Told = n.Places()
		p.mu.Lock()
		for name, from := range p.rewind { // what is news again is not dealt with
			if upTo, said := b.Told[name]; said {
				b.Told[name] = min(upTo, from)
			}
		}
		p.mu.Unlock()
	}
	text, _ := json.Marshal(b) // texts and numbers alone
	return text
}

// beat is called when the monitor's whole way was gone through.
func (p *pairing) beat(watched int) {
	p.mu.Lock()
	p.in.Me.Watched = watched
	p.count++
	p.mu.Unlock()
	p.say()
}

// say has the newest beat sent.
func (p *pairing) say() {
	text := p.text(false)
	select {
	case <-p.beats:
	default:
	}
	select {
	case p.beats <- text:
	default: // another was quicker: it is as new
	}
}

func (p *pairing) start() {
	ctx, cancel := context.WithCancel(context.Background())
	_, dealt := p.notifier().Places()
	p.names = slices.Collect(maps.Keys(dealt)) // here, where no lock is held: Rewind is asked under a destination's
	before := p.stop
	p.stop = func() { before(); cancel() }
	for _, run := range []func(context.Context){p.watch, p.sayBeats, p.doActs, p.turns} {
		p.group.Go(func() { run(ctx) })
	}
}

// ownLines is how much of the journal's end is read at the start, 4 MiB: some fifteen
// thousand lines.
const ownLines = 4 << 20

// close ends the pairing; the other member is told that this one is gone.
func (p *pairing) close(stop context.Context) error {
	err := p.client.Close(stop)
	p.stop()
	done := make(chan struct{})
	go func() { defer close(done); p.group.Wait() }()
	return errors.Join(err, waitFor(stop, done))
}

func (p *pairing) notifier() *notify.Notifier {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.notify
}

func (p *pairing) sayBeats(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case text := <-p.beats:
			_ = p.client.Publish(p.topic(), 1, true, text) // the next comes soon; that it does not come back is seen
			p.sayActsAgain()
		}
	}
}

// watchEvery is how often it is looked who should speak.
const watchEvery = 100 * time.Millisecond

func (p *pairing) watch(ctx context.Context) {
	tick := time.NewTicker(watchEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			p.step()
		}
	}
}

func (p *pairing) step() {
	now := time.Now()
	p.mu.Lock()
	was := p.state
	next, why := pair.Step(was, now, &p.in)
	p.state = next
	turned := was.Role != next.Role
	if turned && next.Role.Speaks() && !was.Role.Speaks() {
		p.begin()
	}
	again := p.settleNow(now)
	p.mu.Unlock()
	if again {
		p.notifier().Wake()
	}
	if !turned {
		return
	}
	p.log.Info("pair", zap.String("member", p.cfg.Member), zap.Stringer("role", next.Role), zap.Stringer("was", was.Role), zap.Uint64("term", next.Term), zap.String("why", why))
	if next.Role == pair.Refused {
		p.failed(usagef("pair: %s", why))
		return
	}
	p.say()
	select {
	case p.turn <- struct{}{}:
	default:
	}
}

// begin takes that this one speaks now.
func (p *pairing) begin() {
	p.ledger.Begin(p.st.clock())
	p.relay.Adopt()
	p.settle = time.Now().Add(pair.Settled)
}

// settleNow has what stands otherwise here than it was told looked at once more; true =
// there is some.
func (p *pairing) settleNow(now time.Time) bool {
	if p.settle.IsZero() || now.Before(p.settle) || !p.state.Role.Speaks() {
		return false
	}
	p.settle = time.Time{}
	from, any := p.ledger.Settle()
	if any {
		for _, name := range p.names {
			p.rewind[name] = from
		}
	}
	return any
}

// turns tells the notifier that this one begins or ends to speak: it may wait there.
func (p *pairing) turns(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-p.turn:
			p.notifier().Turn()
		}
	}
}

// health is what /healthz says of the pair.
func (p *pairing) health() *pairHealth {
	p.mu.Lock()
	defer p.mu.Unlock()
	h := &pairHealth{Member: p.cfg.Member, Role: p.state.Role.String(), Term: p.state.Term, Other: p.in.Peer.Member}
	if !p.in.Peer.At.IsZero() {
		age := time.Since(p.in.Peer.At).Seconds()
		h.Heard, h.Gone = &age, p.in.Peer.Gone
	}
	return h
}

type pairHealth struct {
	Member string   `json:"member"`
	Role   string   `json:"role"`
	Term   uint64   `json:"term"`
	Other  string   `json:"other"`
	Heard  *float64 `json:"other_heard_s_ago"`
	Gone   bool     `json:"other_gone"`
}
