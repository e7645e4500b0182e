package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms"
	"hoistward/alarms/journal"
	"hoistward/alarms/notify"
	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/dashboard"
	"hoistward/dashboard/replay"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/record"
	"hoistward/ingest/record/historian"
)

// Folders and files of a data folder.
const (
	journalFile   = "journal.jsonl"
	recordingsDir = "recordings"
	stateDir      = "state"
	serviceDir    = "service"
)

// station is the monitor put together: sources, loop, recorder, journal, page.
type station struct {
	site     *configs.Site
	clock    func() time.Time
	wall     func() time.Time // this machine's clock as it is set; nil where the time is a simulation's
	log      *zap.Logger
	counters *ingest.Counters
	sources  []source
	recorder *record.Recorder
	forward  *historian.Forwarder // nil where the site has no historian
	behind   atomic.Bool          // it is, by the site's limit
	unsent   atomic.Uint64        // readings and ticks deleted before it had them
	little   atomic.Bool          // less space is free than the site wants
	shed     atomic.Bool          // readings are being discarded
	queue    int                  // messages that wait of a broker; 0 = the standard: tests
	journal  *journal.Writer
	states   *journal.States
	service  *journal.Logs
	proven   bool // a rig without a state begins with its crown saver proven: the demo's
	loop     *watch.Loop
	page     *dashboard.Server
	pager    *pager
	metrics  *metrics
	notifier *notify.Notifier
	heart    *heart
	certs    *certWatch
	pair     *pairing   // nil where the site has none
	failure  chan error // what ends a monitor that runs; nil = nobody asks
	address  string
	onEvent  func(w *watch.Rig, o *watch.Outcome) // told of each entry; may be nil
}

// openRig is the watch's reader of rig files.
func openRig(text []byte) (*hoist.Rig, error) {
	rig, err := configs.OpenRig(text)
	if err != nil {
		return nil, configError(err)
	}
	return rig, nil
}

// start puts the station together and runs it; undo takes it apart in order:
// input first, then loop, recorder, journal, page.
func (st *station) start(u *undo) error {
	st.counters = &ingest.Counters{}
	dir := st.site.Data
	if err := os.MkdirAll(filepath.Join(dir, stateDir), 0o755); err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	ln, err := st.listen()
	if err != nil {
		return err
	}
	recordings := filepath.Join(dir, recordingsDir)
	// The recorder keeps a second monitor out of the folder: it comes before all that writes there.
	st.recorder, err = record.Open(recordings, record.Options{Software: "hoistward " + version, Estimates: estimateColumns(), LowSpace: st.site.Record.LeastFree()})
	if err != nil {
		ln.Close()
		return err
	}
	if err := keepForms(dir); err != nil {
		ln.Close()
		return errors.Join(err, st.recorder.Close(context.Background()))
	}
	if err := st.openHistorian(recordings); err != nil {
		ln.Close()
		return errors.Join(err, st.recorder.Close(context.Background()))
	}
	if st.forward != nil { // it ends after the recorder: what was recorded last is sent too
		u.add("historian", st.forward.Close)
	}
	u.add("recorder", st.recorder.Close)
	jw, err := journal.Open(filepath.Join(dir, journalFile), st.site.Name, st.clock())
	if err != nil {
		ln.Close()
		return err
	}
	st.journal = jw
	u.add("journal", func(context.Context) error { return jw.Close() })
	st.states = journal.OpenStates(filepath.Join(dir, stateDir), func(err error) { st.log.Error("alarm state", zap.Error(err)) })
	u.add("alarm state", st.states.Close)
	st.service = journal.NewLogs(filepath.Join(dir, serviceDir))
	u.add("service log", func(context.Context) error { return st.service.Close() })
	st.certs = newCertWatch(st.site)
	st.pager, st.metrics, st.heart = newPager(st.counters), newMetrics(st), newHeart(st)
	st.pager.sick = st.heart.words
	if err := st.openPair(); err != nil {
		ln.Close()
		return err
	}
	if st.pair != nil {
		u.add("pair", st.pair.close)
	}
	if err := st.openNotify(u); err != nil {
		ln.Close()
		return err
	}
	if err := st.startLoop(recordings, u); err != nil {
		ln.Close()
		return err
	}
	if st.pair != nil {
		st.pair.start()
	}
	st.notifier.Start()
	if err := st.startPage(ln, u); err != nil {
		ln.Close()
		return err
	}
	st.watchRecorder(u)
	st.watchShedding(u)
	st.keepTidy(recordings, u)
	st.watchHistorian(u)
	if err := st.startSources(u); err != nil {
		return err
	}
	st.heart.start(u)
	return nil
}

// watchRecorder tells the loop when recording stops and when it goes on.
func (st *station) watchRecorder(u *undo) {
	failing := false
	eachSecond(u, "recorder watch", func() {
		s := st.recorder.Status()
		if now := len(s.Failing) > 0; now != failing {
			failing = now
			link := ingest.Link{Source: watch.RecorderLink, State: "recording"}
			if failing {
				link.State, link.Detail = "stopped", s.LastError
			}
			st.loop.Link(link)
		}
		st.judgeSpace(&s)
	})
}

// judgeSpace tells the loop when little space is left for recordings and when there is
// enough again: a tenth more than the site wants.
func (st *station) judgeSpace(s *record.Status) {
	least := st.site.Record.LeastFree()
	was := st.little.Load()
	now := s.FreeKnown && (s.Free < least || was && s.Free < least+least/10)
	if now == was {
		return
	}
	st.little.Store(now)
	link := ingest.Link{Source: watch.SpaceLink, State: "enough"}
	if now {
		link.State = "low"
		link.Detail = fmt.Sprintf("%d MiB free, limit %d MiB", s.Free>>20, least>>20)
	}
	st.loop.Link(link)
}

// eachSecond looks once a second, in a goroutine of its own, until u takes it apart.
func eachSecond(u *undo, name string, look func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
			look()
		}
	}()
	u.add(name, func(stop context.Context) error { cancel(); return waitFor(stop, done) })
}

// listen takes the dashboard's address; for one that is in use by another program
// it says so.
func (st *station) listen() (net.Listener, error) {
	ln, err := net.Listen("tcp", st.site.Listen)
	if err != nil {
		return nil, fmt.Errorf("dashboard: %w", err)
	}
	st.address = pageAddress(st.site, ln.Addr())
	return ln, nil
}

func (st *station) startLoop(recordings string, u *undo) error {
	last, err := record.LastSeq(recordings)
	if err != nil {
		return err
	}
	feed := &estimateFeed{recorder: st.recorder, every: st.site.Record.Estimates, last: map[string]time.Time{}}
	o := watch.LoopOptions{
		Open: openRig, Clock: st.clock, FirstSeq: last, Tick: tickEvery,
		Sessions: map[string]ingest.Session{}, Recorder: st.recorder, Journal: st.journal,
		States: st.states, Service: st.service, Wall: st.wall,
		Counters: st.counters, Changed: st.changed, Handled: st.handled, Answered: feed.take,
		Trouble: func(err error) { st.log.Error("journal line waits for the disk", zap.Error(err)) },
	}
	if err := st.makeSources(); err != nil {
		return err
	}
	for _, f := range st.sources {
		o.Sources = append(o.Sources, watch.Source{Name: f.name, Decoder: f.decoder})
	}
	var order []string
	for _, r := range st.site.Rigs {
		if err := record.CheckRig(r.Rig.Name); err != nil {
			return usageError{err}
		}
		order = append(order, r.Rig.Name)
		state, lost, err := st.states.Load(r.Rig.Name, st.clock(), filepath.Join(st.site.Data, journalFile))
		if err != nil {
			return err
		}
		if st.pair != nil {
			if state, err = st.pair.join(r.Rig.Name, state); err != nil {
				return err
			}
		}
		if state == "" && st.proven {
			if state, err = provenState(st.clock()); err != nil {
				return err
			}
		}
		own := sourcesOf(st.site.Sources, r.Rig.Name)
		o.Sessions[r.Rig.Name] = ingest.Session{
			Software: "hoistward " + version, RigFile: string(r.Text), Channels: mappedChannels(own),
			Apart: apart(own), Periods: statedPeriods(own),
			Alarms: state, StateLost: lost, KeepsLog: true,
		}
	}
	if st.loop, err = watch.NewLoop(o, order); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); st.loop.Run(ctx) }()
	u.add("loop", func(stop context.Context) error {
		cancel()
		return waitFor(stop, done)
	})
	return nil
}

// provenState is the state of a simulated rig whose crown saver was tested an hour
// before it begins.
func provenState(now time.Time) (string, error) {
	at := alarms.At(now.Add(-time.Hour))
	s := alarms.Saved{Service: alarms.Service{CrownSaver: alarms.Test{At: at, By: "the simulated crew", Passed: true}}}
	text, err := alarms.MarshalState(&s)
	return string(text), err
}

// tickEvery is the longest that a silent rig goes without being looked at.
const tickEvery = 250 * time.Millisecond

// sourcesOf returns the sources that readings of a rig can come from.
func sourcesOf(sources []configs.Source, rig string) []configs.Source {
	return slices.DeleteFunc(slices.Clone(sources), func(s configs.Source) bool { return !s.Of(rig) })
}

func mappedChannels(sources []configs.Source) []string {
	var names []string
	for c := range ingest.NumChannels {
		for _, s := range sources {
			if s.Mapping.Channels[c].Mapped {
				names = append(names, c.String())
				break
			}
		}
	}
	return names
}

// apart tells whether a rig's channels may come in messages of their own.
func apart(sources []configs.Source) bool {
	for i := range sources {
		s := &sources[i]
		if i > 0 || s.Mapping.Apart() || s.Payload == ingest.Sparkplug || s.WITS != nil && s.WITS.Records > 1 { // Sparkplug sends what changed
			return true
		}
	}
	return false
}

// statedPeriods is what the site says of the time between readings, s; nil = nothing.
func statedPeriods(sources []configs.Source) map[string]float64 {
	var periods map[string]float64
	for i := range sources {
		for c := range ingest.NumChannels {
			m := &sources[i].Mapping.Channels[c]
			if !m.Mapped || m.Period <= 0 {
				continue
			}
			if periods == nil {
				periods = map[string]float64{}
			}
			periods[c.String()] = m.Period.Seconds()
		}
	}
	return periods
}

func waitFor(ctx context.Context, done <-chan struct{}) error {
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (st *station) startPage(ln net.Listener, u *undo) error {
	replays := replayDesk(replay.NewLibrary(filepath.Join(st.site.Data, recordingsDir)), truthBeside(st.site.Data))
	u.add("replays", replays.Close)
	o := dashboard.Options{
		Replay: replays.Handler(),
		Desk:   desk{st.loop, st.pair}, Health: st.health, Log: st.log, Version: version, Now: st.clock,
		Rigs: rigNames(st.site), AlarmFigures: st.alarmFigures, Happened: st.happened, Fresh: st.pager.fresh,
		Metrics: st.metrics.handler(st.log), Ready: st.heart.answer,
		ToDo: func() []string { return st.certs.words(time.Now()) },
	}
	if err := guardPage(&o, st.site, st.log, st.clock(), u); err != nil {
		return err
	}
	st.page = dashboard.New(o)
	if err := st.page.MayServe(ln.Addr()); err != nil {
		return usageError{err}
	}
	st.pager.loop = st.loop
	st.pager.start(st.page, u)
	servePage(st.page, ln, u)
	return nil
}

// servePage answers on ln until u takes it apart.
func servePage(page *dashboard.Server, ln net.Listener, u *undo) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- page.Serve(ctx, ln) }()
	u.add("page", func(stop context.Context) error {
		cancel()
		select {
		case err := <-done:
			return err
		case <-stop.Done():
			return stop.Err()
		}
	})
}

// alarmFigures is what the page is told of the alarms themselves.
func (st *station) alarmFigures(rigs []string, from, to time.Time) (any, error) {
	if err := st.journal.Flush(); err != nil {
		return nil, err
	}
	f, damaged, err := journal.Figures(filepath.Join(st.site.Data, journalFile), rigs, from, to)
	return struct {
		alarms.Figures
		Assessed []alarms.Assessment `json:"assessed"`
		Damaged  int                 `json:"damaged_lines"`
	}{f, f.Assess(), damaged}, err
}

// happened is what the page is told of the journal's entries.
func (st *station) happened(rigs []string, from, to time.Time, most int) (dashboard.Happened, error) {
	var h dashboard.Happened
	if err := st.journal.Flush(); err != nil {
		return h, err
	}
	events, more, damaged, err := journal.Events(filepath.Join(st.site.Data, journalFile), rigs, from, to, most)
	for i := range events {
		h.Events = append(h.Events, alarms.AppendJSON(nil, &events[i]))
	}
	h.More, h.Damaged = more, damaged
	return h, err
}

func rigNames(site *configs.Site) []string {
	var names []string
	for _, r := range site.Rigs {
		names = append(names, r.Rig.Name)
	}
	return names
}

// desk takes acts from the page to the loop.
type desk struct {
	loop *watch.Loop
	pair *pairing // is told of what was taken; nil = there is none
}

// actLimit is how long a page waits for its act to be on disk.
const actLimit = 5 * time.Second

func (d desk) Act(rig string, act ingest.Act) error {
	ctx, cancel := context.WithTimeout(context.Background(), actLimit)
	defer cancel()
	err := d.loop.Act(ctx, rig, act)
	if err == nil && d.pair != nil {
		d.pair.made(rig, &act)
	}
	return err
}

// fail ends the monitor with an error.
func (st *station) fail(err error) {
	select {
	case st.failure <- err:
	default: // one is enough, or nobody asks
	}
}

// changed is told of every entry, in the loop's goroutine.
func (st *station) changed(w *watch.Rig, o *watch.Outcome) {
	st.pager.show(w, len(o.Events) > 0)
	if o.Sample {
		st.metrics.samples.Inc()
	}
	if o.Estimate != nil {
		st.metrics.frames.Inc()
	}
	st.notifier.Changed(w, o)
	st.heart.turned(w.Name(), o.Sample)
	if st.onEvent != nil {
		st.onEvent(w, o)
	}
}

// handled is told of each message in the loop's goroutine: how long it waited.
func (st *station) handled(waited time.Duration) {
	st.metrics.handled(waited)
	st.heart.waited(waited)
}
