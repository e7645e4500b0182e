package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"runtime/debug"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"

	"hoistward/alarms/group"
	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/dashboard"
	"hoistward/ingest"
	"hoistward/ingest/jetstream"
)

// member is the monitor as one of a group: what it shares with the others is with the
// servers, and its pages show all rigs of the group, whoever watches them.
type member struct {
	site     *configs.Site
	wall     func() time.Time
	log      *zap.Logger
	proven   bool // a rig that begins has its crown saver proven: the demo's
	counters *ingest.Counters
	conn     *nats.Conn
	store    *jetstream.Store
	group    *group.Member
	page     *dashboard.Server
	pages    *memberPages
	address  string
	onEvent  func(w *watch.Rig, o *watch.Outcome)
}

// runMember is the monitor of a site with a group.
func runMember(s *streams, site *configs.Site, proven bool) (err error) {
	log, err := newLog(zap.InfoLevel)
	if err != nil {
		return err
	}
	defer func() { _ = log.Sync() }()
	printer := newPrinter(s, "")
	m := &member{site: site, wall: wallClock, log: log, proven: proven, counters: &ingest.Counters{}, onEvent: printer.entry}
	var u undo
	defer func() { err = errors.Join(err, u.stop()) }()
	if err := m.start(s.ctx, &u); err != nil {
		if s.ctx.Err() != nil {
			return nil // told to stop before the servers were there
		}
		return err
	}
	fmt.Fprintf(s.out, "hoistward monitor: %s\n", m.address)
	err = m.group.Run(s.ctx)
	printer.end()
	if errors.Is(err, group.ErrOther) {
		return usageError{err}
	}
	return err
}

func (m *member) start(ctx context.Context, u *undo) error {
	if err := os.MkdirAll(m.site.Data, 0o755); err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	if err := keepForms(m.site.Data); err != nil {
		return err
	}
	ln, err := net.Listen("tcp", m.site.Listen)
	if err != nil {
		return fmt.Errorf("dashboard: %w", err)
	}
	m.address = pageAddress(m.site, ln.Addr())
	if err := m.connect(ctx, u); err != nil {
		ln.Close()
		return err
	}
	settings, err := m.settings()
	if err != nil {
		ln.Close()
		return err
	}
	mapping := m.site.Sources[0].Mapping
	mapping.Offsets = nil
	m.pages = newMemberPages(m)
	m.group = group.New(group.Options{
		Name: m.site.Group.Member, Revision: m.site.Group.Revision, Source: fmt.Sprintf("%+v", mapping), Settings: settings,
		Store: m.store, Conn: m.conn, Counters: m.counters, Wall: m.wall, Changed: m.changed, Told: m.told,
	})
	page := dashboard.Options{
		Desk: memberDesk{m.group}, Health: m.health, Log: m.log, Version: version,
		Rigs: rigNames(m.site), Fresh: m.pages.fresh,
	}
	if err := guardPage(&page, m.site, m.log, time.Now(), u); err != nil {
		ln.Close()
		return err
	}
	m.page = dashboard.New(page)
	if err := m.page.MayServe(ln.Addr()); err != nil {
		ln.Close()
		return usageError{err}
	}
	if err := m.pages.start(u); err != nil {
		ln.Close()
		return err
	}
	servePage(m.page, ln, u)
	return nil
}

// connect reaches the servers and what they keep. Servers that are not there yet are
// waited for; a stream that is set otherwise is a mistake.
func (m *member) connect(ctx context.Context, u *undo) error {
	o, err := m.dialOptions()
	if err != nil {
		return err
	}
	g := m.site.Group
	if m.conn, err = nats.Connect(strings.Join(g.Servers, ","), o...); err != nil {
		return fmt.Errorf("group: %w", err)
	}
	u.add("servers", func(context.Context) error { m.conn.Close(); return nil })
	sizes := jetstream.Options{Replicas: g.Replicas, MaxAge: g.Keep, MaxBytes: int64(g.LogMegabytes) << 20,
		JournalBytes: int64(g.JournalMB) << 20, Leaves: g.Leaves}
	for said := ""; ; {
		try, cancel := context.WithTimeout(ctx, openTime)
		m.store, err = jetstream.Open(try, m.conn, sizes)
		cancel()
		switch {
		case err == nil:
			return nil
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.Is(err, jetstream.ErrSettings):
			return usageError{err}
		case err.Error() != said:
			said = err.Error()
			m.log.Warn("the group's servers are waited for", zap.Error(err))
		}
		select {
		case <-ctx.Done():
		case <-time.After(openPause):
		}
	}
}

const (
	openTime  = 5 * time.Second
	openPause = 250 * time.Millisecond
)

func (m *member) dialOptions() ([]nats.Option, error) {
	g := m.site.Group
	o := []nats.Option{
		nats.Name("hoistward " + g.Member), nats.MaxReconnects(-1), nats.ReconnectWait(openPause), nats.RetryOnFailedConnect(true),
		nats.PingInterval(2 * time.Second), nats.MaxPingsOutstanding(2),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil { // else we closed it
				m.log.Warn("a server of the group is lost", zap.Error(err))
			}
		}),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { m.log.Warn("group", zap.Error(err)) }),
	}
	if g.User != "" {
		login, err := passwordOption(g.User, g.PasswordFile)
		if err != nil {
			return nil, err
		}
		o = append(o, login)
	}
	if strings.HasPrefix(g.Servers[0], "tls://") {
		c := &tls.Config{MinVersion: tls.VersionTLS12}
		if g.CAFile != "" {
			text, err := os.ReadFile(g.CAFile)
			if err != nil {
				return nil, fmt.Errorf("group: %w", err)
			}
			c.RootCAs = x509.NewCertPool()
			if !c.RootCAs.AppendCertsFromPEM(text) {
				return nil, usagef("group.ca_file: got no certificate, want one in PEM")
			}
		}
		if g.CertificateFile != "" {
			pair, err := tls.LoadX509KeyPair(g.CertificateFile, g.KeyFile)
			if err != nil {
				return nil, fmt.Errorf("group: %w", err)
			}
			c.Certificates = []tls.Certificate{pair}
		}
		o = append(o, nats.Secure(c))
	}
	return o, nil
}

func passwordOption(user, file string) (nats.Option, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("password file: %w", err)
	}
	return nats.UserInfo(user, strings.TrimSpace(string(text))), nil
}

// software is the program's name for itself: members of another build do not share rigs,
// since their answers may be others.
func software() string {
	name := "hoistward " + version
	if b, ok := debug.ReadBuildInfo(); ok {
		for _, s := range b.Settings {
			if s.Key == "vcs.revision" || s.Key == "vcs.modified" || s.Key == "GOARCH" {
				name += " " + s.Value
			}
		}
	}
	return name
}

// settings are what this member has for the group.
func (m *member) settings() (group.Settings, error) {
	s := group.Settings{Software: software(), Open: openRig, Sessions: map[string]ingest.Session{},
		Decoder: func() (watch.Decoder, error) { return newDecoder(&m.site.Sources[0]) }}
	state := ""
	if m.proven {
		var err error
		if state, err = provenState(time.Now()); err != nil {
			return s, err
		}
	}
	for _, r := range m.site.Rigs {
		s.Sessions[r.Rig.Name] = ingest.Session{
			Software: s.Software, RigFile: string(r.Text), Channels: mappedChannels(m.site.Sources),
			Periods: statedPeriods(m.site.Sources), Alarms: state, KeepsLog: true,
		}
	}
	return s, nil
}

// changed is told of every entry that a rig of this member took, from several goroutines.
func (m *member) changed(w *watch.Rig, o *watch.Outcome, fresh bool) {
	if !fresh {
		return
	}
	m.pages.show(w, o)
	if m.onEvent != nil {
		m.onEvent(w, o)
	}
}

func (m *member) told(what string, err error) {
	if err == nil {
		m.log.Info("group: well again", zap.String("of", what))
		return
	}
	m.log.Error("group", zap.String("of", what), zap.Error(err))
}

// memberDesk takes acts from the page to the log.
type memberDesk struct{ group *group.Member }

func (d memberDesk) Act(rig string, act ingest.Act) error {
	ctx, cancel := context.WithTimeout(context.Background(), actLimit)
	defer cancel()
	return d.group.Act(ctx, rig, act)
}

// groupHealth is what /healthz says of a member.
type groupHealth struct {
	Status    string            `json:"status"`
	Version   string            `json:"version"`
	Member    string            `json:"member"`
	Server    string            `json:"server"` // connected to; empty = to none
	Held      []int             `json:"partitions"`
	Waiting   int64             `json:"waiting"`          // records of the log that are not played yet
	Played    string            `json:"played,omitempty"` // up to where all of them are
	Others    []group.Hello     `json:"others"`
	Trouble   []string          `json:"trouble"`
	Rejects   []ingest.Count    `json:"rejects"`
	Strangers []ingest.Stranger `json:"rigs_without_file"`
}

func (m *member) health() any {
	h := groupHealth{Status: "good", Version: version, Member: m.site.Group.Member, Held: m.group.Held(), Others: m.group.Members(),
		Trouble: m.group.Trouble(), Rejects: m.counters.Snapshot(), Strangers: m.counters.Strangers()}
	var played time.Time
	if h.Waiting, played = m.group.Lag(); !played.IsZero() {
		h.Played = clockText(played)
	}
	if m.conn.IsConnected() {
		h.Server = m.conn.ConnectedUrlRedacted()
	} else {
		h.Status = "no server of the group is reached"
	}
	if len(h.Trouble) > 0 {
		h.Status = h.Trouble[0]
	}
	return h
}
