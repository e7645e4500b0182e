package main

import (
	"context"
	"fmt"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/payload"
	"hoistward/ingest/payload/lines"
	"hoistward/ingest/sparkplug"
	"hoistward/ingest/wits"
)

// feed is one way that messages come. It begins with Start; Some gives what came
// until it is closed and empty. Its network side never waits for its reader.
type feed interface {
	Start()
	// Some fills to with what waits and returns how many that are, 1 at least; Source is
	// filled in by the pump.
	Some(ctx context.Context, to []watch.Message) (int, error)
	Status() feedStatus
	Stats() feedStats
	Close(ctx context.Context) error
}

// feedStatus is the condition of a feed.
type feedStatus struct {
	Source string
	State  string // "subscribed", "lost"
	Open   bool   // messages can come
	Since  time.Time
	Detail string
}

func (s feedStatus) link() ingest.Link {
	return ingest.Link{Source: s.Source, State: s.State, Detail: s.Detail}
}

// feedStats counts what went through a feed since it was made.
type feedStats struct {
	Received uint64
	Dropped  uint64 // oldest ones discarded because the reader was behind
	Waiting  int    // in the queue now
}

// source is a feed with what its messages mean.
type source struct {
	name    string
	feed    feed
	decoder watch.Decoder
	offsets *ingest.Offsets // of its clock
	host    *sparkplug.Host // with payload sparkplug, the decoder; else nil
}

// newSource makes the feed and the decoder that a site file's source asks for.
// told hears of each change of the link.
func newSource(s *configs.Source, o feedOptions) (source, error) {
	own := *s
	s = &own
	s.Mapping.Offsets = &ingest.Offsets{}
	out := source{name: s.Name, offsets: s.Mapping.Offsets}
	var err error
	switch s.Kind {
	case "mqtt":
		out.feed, err = newMQTTFeed(s, o)
	case "wits":
		out.feed, err = newWITSFeed(s, o)
	default:
		err = fmt.Errorf("kind: got %q, want \"mqtt\" or \"wits\"", s.Kind)
	}
	switch {
	case err != nil:
	case s.Sparkplug != nil:
		out.host, err = sparkplug.New(sparkplugOptions(s))
		out.decoder = out.host
	default:
		out.decoder, err = newDecoder(s)
	}
	if err != nil {
		return out, usageError{fmt.Errorf("source %s: %w", s.Name, err)}
	}
	return out, nil
}

// newDecoder returns what reads the messages of s.
func newDecoder(s *configs.Source) (watch.Decoder, error) {
	if s.WITS != nil {
		return wits.NewDecoder(&s.Mapping, wits.Options{Zone: s.WITS.Zone, IgnoreDeclared: s.WITS.IgnoreDeclared})
	}
	var d payload.ByTopic
	for i, t := range s.Mapping.Topics {
		one, err := topicDecoder(s, t.Payload, s.Mapping.On(i))
		if err != nil {
			return nil, fmt.Errorf("topic %q: %w", t.Pattern, err)
		}
		d = append(d, one)
	}
	return d, nil
}

// topicDecoder returns what reads the messages of one topic.
func topicDecoder(s *configs.Source, p ingest.Payload, m *ingest.Mapping) (payload.Decoder, error) {
	switch p {
	case ingest.JSON:
		return payload.NewJSON(m)
	case ingest.NumberText:
		return payload.NewNumber(m)
	case ingest.Lines:
		return lines.New(m, lines.Options{Precision: s.Lines.Precision, RigTag: s.Lines.RigTag})
	}
	return nil, fmt.Errorf("payload: got %q, want one that is read", p)
}

// makeSources makes what is to be watched; startSources lets it begin.
func (st *station) makeSources() error {
	o := feedOptions{log: st.log, clock: st.clock, queue: st.queue, told: func(s feedStatus) { st.loop.Link(s.link()) }}
	for i := range st.site.Sources {
		s, err := newSource(&st.site.Sources[i], o)
		if err != nil {
			return err
		}
		st.sources = append(st.sources, s)
	}
	return nil
}

func (st *station) startSources(u *undo) error {
	ctx, cancel := context.WithCancel(context.Background())
	u.add("source pumps", func(context.Context) error { cancel(); return nil })
	for i := range st.sources {
		s := &st.sources[i]
		st.loop.Link(s.feed.Status().link())
		go pump(ctx, s.feed, i, st.loop)
		if f, ok := s.feed.(*mqttFeed); ok && s.host != nil {
			go sendCommands(ctx, s.host.Outbox(), f.client, st.log.With(zap.String("source", s.name)))
		}
		s.feed.Start()
		u.add("source "+s.name, s.feed.Close)
	}
	return nil
}

// atOnce is how many messages are handed to the loop at once, at most: with many
// waiting, a change of goroutine for each would cost as much as the rest. An act or a
// tick waits for so many, a millisecond.
const atOnce = 64

// pump carries messages from a source's queue to the loop. While the loop is at those of
// one half, the other is filled.
func pump(ctx context.Context, f feed, source int, loop *watch.Loop) {
	var halves [2][atOnce]watch.Message
	for i := 0; ; i ^= 1 {
		n, err := f.Some(ctx, halves[i][:])
		if err != nil {
			return
		}
		some := halves[i][:n]
		for k := range some {
			some[k].Source = source
		}
		if !loop.Offer(ctx, some...) {
			return
		}
	}
}
