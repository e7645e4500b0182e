package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/listen"
	"hoistward/ingest/mqtt"
)

type listenCmd struct {
	Config string        `required:"" type:"path" placeholder:"SITE.YAML" help:"The site file."`
	For    time.Duration `help:"Stop after this long; 0 = until Ctrl-C."`
	JSON   bool          `name:"json" help:"As one JSON document, at the end."`
	Raw    bool          `help:"Each message as it comes, too."`
	Births bool          `help:"Ask Sparkplug nodes for their births, where aliases come alone: the one thing that listen sends. A monitor that runs does so by itself."`
}

// listening is one source that is listened to.
type listening struct {
	source source
	table  *listen.Source
	around *mqtt.Client // reads what lies beside the topics; nil where there are none
}

// listenShow is the time between two states of the table on a terminal.
const listenShow = time.Second

func (c *listenCmd) Run(s *streams) error {
	if c.For < 0 {
		return usagef("--for: got %v, want a time that is not negative", c.For)
	}
	site, err := configs.LoadSite(c.Config)
	if err != nil {
		return configError(err)
	}
	ctx, cancel := context.WithCancel(s.ctx)
	defer cancel()
	if c.For > 0 {
		ctx, cancel = context.WithTimeout(s.ctx, c.For)
		defer cancel()
	}
	var u undo
	raw := &rawLines{s: s, on: c.Raw && !c.JSON}
	all, err := startListening(ctx, site, raw, c.Births, &u)
	if err == nil {
		c.show(ctx, s, all)
	}
	if stopErr := u.stop(); err == nil {
		err = stopErr
	}
	if err != nil {
		return err
	}
	return c.report(s, all)
}

func startListening(ctx context.Context, site *configs.Site, raw *rawLines, births bool, u *undo) ([]listening, error) {
	o := feedOptions{log: zap.NewNop(), clock: time.Now, told: func(feedStatus) {}, visitor: true}
	var all []listening
	for i := range site.Sources {
		src := site.Sources[i]
		if src.ClientID != "" { // the monitor has it
			src.ClientID += "-listen"
		}
		made, err := newSource(&src, o)
		if err != nil {
			return nil, err
		}
		l := listening{source: made, table: listen.NewSource(src.Name, &src.Mapping, rigNames(site), made.offsets)}
		if err := l.lookAround(&src, o); err != nil {
			return nil, err
		}
		all = append(all, l)
	}
	for i := range all {
		l := &all[i]
		go l.read(ctx, raw)
		if f, ok := l.source.feed.(*mqttFeed); ok && births && l.source.host != nil {
			go sendCommands(ctx, l.source.host.Outbox(), f.client, o.log)
		}
		l.source.feed.Start()
		u.add("source "+l.source.name, l.source.feed.Close)
		if l.around != nil {
			go l.readAround(ctx, raw)
			l.around.Start()
			u.add("look around "+l.source.name, l.around.Close)
		}
	}
	return all, nil
}

// lookAround makes the client that reads what is sent beside a source's topics.
func (l *listening) lookAround(s *configs.Source, o feedOptions) error {
	var patterns []string
	for _, t := range s.Mapping.Topics {
		patterns = append(patterns, t.Pattern)
	}
	if s.Kind != "mqtt" || len(patterns) == 0 {
		return nil
	}
	wide := mqttOptions(s, o)
	wide.ClientID, wide.Topics, wide.Filters, wide.QoS = "", nil, []string{listen.Around(patterns)}, 0
	var err error
	if l.around, err = mqtt.New(wide); err != nil {
		return usageError{fmt.Errorf("source %s: %w", s.Name, err)}
	}
	return nil
}

func (l *listening) read(ctx context.Context, raw *rawLines) {
	var one [1]watch.Message
	for {
		if _, err := l.source.feed.Some(ctx, one[:]); err != nil {
			return
		}
		m := &one[0]
		raw.line(l.source.name, m.Received, m.Topic, m.Payload, m.Reject)
		l.table.Message(&m.Message, m.Reject, l.source.decoder)
	}
}

// readAround takes what is of none of the source's topics.
func (l *listening) readAround(ctx context.Context, raw *rawLines) {
	for {
		m, err := l.around.Next(ctx)
		if err != nil {
			return
		}
		if l.table.Reads(m.Topic) {
			continue
		}
		raw.line(l.source.name, m.Received, m.Topic, m.Payload, ingest.RejectBadTopic)
		l.table.Unread(m.Topic, m.Payload)
	}
}

// show keeps the table on a terminal fresh until ctx ends.
func (c *listenCmd) show(ctx context.Context, s *streams, all []listening) {
	if !s.terminal || c.JSON || c.Raw {
		<-ctx.Done()
		return
	}
	tick := time.NewTicker(listenShow)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			fmt.Fprint(s.out, clearScreen)
			return
		case <-tick.C:
			var b bytes.Buffer
			b.WriteString(clearScreen)
			_ = listen.Write(&b, reports(all))
			_, _ = s.out.Write(b.Bytes())
		}
	}
}

const clearScreen = "\x1b[H\x1b[2J"

func reports(all []listening) []listen.Report {
	var out []listen.Report
	for i := range all {
		status := all[i].source.feed.Status()
		out = append(out, all[i].table.Report(time.Now(), status.State, status.Detail))
	}
	return out
}

func (c *listenCmd) report(s *streams, all []listening) error {
	if !c.JSON {
		return listen.Write(s.out, reports(all))
	}
	e := json.NewEncoder(s.out)
	e.SetIndent("", "  ")
	return e.Encode(reports(all))
}

// rawLines prints each message as it comes.
type rawLines struct {
	mu sync.Mutex
	s  *streams
	on bool
}

// rawBytes is how much of a payload a line shows.
const rawBytes = 400

func (r *rawLines) line(source string, at time.Time, topic string, payload []byte, reject ingest.Reject) {
	if !r.on {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	note := ""
	if reject != ingest.Used {
		note = "  [" + reject.String() + "]"
	}
	fmt.Fprintf(r.s.out, "%s %s %q %q%s\n", clockText(at), source, topic, payload[:min(len(payload), rawBytes)], note)
}
