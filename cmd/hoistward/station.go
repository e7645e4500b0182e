package main

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms/journal"
	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/dashboard"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/mqtt"
	"hoistward/ingest/payload"
	"hoistward/ingest/record"
)

// Folders and files of a data folder.
const (
	journalFile   = "journal.jsonl"
	recordingsDir = "recordings"
	stateDir      = "state"
)

// station is the monitor put together: sources, loop, recorder, journal, page.
type station struct {
	site      *configs.Site
	clock     func() time.Time
	log       *zap.Logger
	counters  *ingest.Counters
	clients   []*mqtt.Client
	clientsMu sync.Mutex
	recorder  *record.Recorder
	journal   *journal.Writer
	saver     *saver
	loop      *watch.Loop
	page      *dashboard.Server
	pager     *pager
	address   string
	onEvent   func(w *watch.Rig, o *watch.Outcome) // told of each entry; may be nil
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
	jw, err := journal.Open(filepath.Join(dir, journalFile), st.site.Name, st.clock())
	if err != nil {
		ln.Close()
		return err
	}
	st.journal = jw
	u.add("journal", func(context.Context) error { return jw.Close() })
	recordings := filepath.Join(dir, recordingsDir)
	if st.recorder, err = record.Open(recordings, record.Options{Software: "hoistward " + version}); err != nil {
		ln.Close()
		return err
	}
	u.add("recorder", st.recorder.Close)
	st.saver = newSaver(filepath.Join(dir, stateDir), st.log)
	u.add("alarm state", st.saver.close)
	st.pager = newPager(st.counters)
	if err := st.startLoop(recordings, u); err != nil {
		ln.Close()
		return err
	}
	st.startPage(ln, u)
	st.watchRecorder(u)
	return st.startSources(u)
}

// watchRecorder tells the loop when recording stops and when it goes on.
func (st *station) watchRecorder(u *undo) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		failing := false
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
			s := st.recorder.Status()
			if now := len(s.Failing) > 0; now != failing {
				failing = now
				link := ingest.Link{Source: watch.RecorderLink, State: "recording"}
				if failing {
					link.State, link.Detail = "stopped", s.LastError
				}
				st.loop.Link(link)
			}
		}
	}()
	u.add("recorder watch", func(stop context.Context) error { cancel(); return waitFor(stop, done) })
}

// listen takes the dashboard's address; for one that is in use by another program
// it says so.
func (st *station) listen() (net.Listener, error) {
	ln, err := net.Listen("tcp", st.site.Listen)
	if err != nil {
		return nil, fmt.Errorf("dashboard: %w", err)
	}
	st.address = "http://" + ln.Addr().String()
	return ln, nil
}

func (st *station) startLoop(recordings string, u *undo) error {
	last, err := record.LastSeq(recordings)
	if err != nil {
		return err
	}
	o := watch.LoopOptions{
		Open: openRig, Clock: st.clock, FirstSeq: last, Tick: tickEvery,
		Sessions: map[string]ingest.Session{}, Recorder: st.recorder, Journal: st.journal,
		Counters: st.counters, Changed: st.changed,
		Trouble: func(err error) { st.log.Error("journal line waits for the disk", zap.Error(err)) },
	}
	channels := mappedChannels(st.site.Sources)
	for _, s := range st.site.Sources {
		d, err := payload.NewJSON(&s.Mapping)
		if err != nil {
			return usageError{fmt.Errorf("source %s: %w", s.Name, err)}
		}
		o.Sources = append(o.Sources, watch.Source{Name: s.Name, Decoder: d})
	}
	var order []string
	for _, r := range st.site.Rigs {
		if err := record.CheckRig(r.Rig.Name); err != nil {
			return usageError{err}
		}
		order = append(order, r.Rig.Name)
		o.Sessions[r.Rig.Name] = ingest.Session{
			Software: "hoistward " + version, RigFile: string(r.Text), Channels: channels,
			Alarms: st.saver.load(r.Rig.Name, st.clock()),
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

// tickEvery is the longest that a silent rig goes without being looked at.
const tickEvery = 250 * time.Millisecond

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

func waitFor(ctx context.Context, done <-chan struct{}) error {
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (st *station) startPage(ln net.Listener, u *undo) {
	st.page = dashboard.New(dashboard.Options{
		Desk: desk{st.loop}, Health: st.health, Log: st.log, Version: version, Now: st.clock,
		Rigs: rigNames(st.site),
	})
	st.pager.start(st.page, u)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- st.page.Serve(ctx, ln) }()
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

func rigNames(site *configs.Site) []string {
	var names []string
	for _, r := range site.Rigs {
		names = append(names, r.Rig.Name)
	}
	return names
}

// desk takes acts from the page to the loop.
type desk struct{ loop *watch.Loop }

// actLimit is how long a page waits for its act to be on disk.
const actLimit = 5 * time.Second

func (d desk) Act(rig string, act ingest.Act) error {
	ctx, cancel := context.WithTimeout(context.Background(), actLimit)
	defer cancel()
	return d.loop.Act(ctx, rig, act)
}

func (st *station) startSources(u *undo) error {
	ctx, cancel := context.WithCancel(context.Background())
	u.add("source pumps", func(context.Context) error { cancel(); return nil })
	for i, s := range st.site.Sources {
		name := s.Name
		st.loop.Link(ingest.Link{Source: name, State: mqtt.NeverConnected.String()})
		client, err := mqtt.New(mqtt.Options{
			Name: name, Broker: s.Broker, ClientID: s.ClientID, User: s.User, PasswordFile: s.PasswordFile,
			CAFile: s.CAFile, CertFile: s.CertificateFile, KeyFile: s.KeyFile, Topic: s.Topic, QoS: s.QoS,
			QuietAfter: s.QuietAfter, Log: st.log, Now: st.clock,
			OnStatus: func(status mqtt.Status) { st.loop.Link(*status.Link()) },
		})
		if err != nil {
			return usageError{fmt.Errorf("source %s: %w", name, err)}
		}
		st.clientsMu.Lock()
		st.clients = append(st.clients, client)
		st.clientsMu.Unlock()
		go pump(ctx, client, i, st.loop)
		client.Start()
		u.add("source "+name, client.Close)
	}
	return nil
}

// pump carries messages from a source's queue to the loop.
func pump(ctx context.Context, c *mqtt.Client, source int, loop *watch.Loop) {
	for {
		m, err := c.Next(ctx)
		if err != nil {
			return
		}
		out := watch.Message{Source: source, Message: ingest.Message{
			Rig: m.Rig, Topic: m.Topic, Payload: m.Payload, Received: m.Received,
		}}
		switch {
		case m.Retained:
			out.Reject = ingest.RejectRetained
		case m.Rig == "":
			out.Reject = ingest.RejectBadTopic
		}
		if !loop.Offer(ctx, out) {
			return
		}
	}
}

// changed is told of every entry, in the loop's goroutine.
func (st *station) changed(w *watch.Rig, o *watch.Outcome) {
	st.pager.show(w, len(o.Events) > 0)
	if len(o.Events) > 0 {
		if state, err := w.State(); err == nil {
			st.saver.save(w.Name(), state)
		}
	}
	if st.onEvent != nil {
		st.onEvent(w, o)
	}
}
