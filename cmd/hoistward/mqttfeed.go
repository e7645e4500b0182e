package main

import (
	"context"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/mqtt"
)

// feedOptions is what every feed is made with.
type feedOptions struct {
	log   *zap.Logger
	clock func() time.Time
	told  func(feedStatus) // of each change; must not block
	queue int              // messages that wait; 0 = the standard
	// visitor: another is the monitor of the site, and this one does not announce
	// itself in its place.
	visitor bool
}

// mqttFeed is an MQTT client as a feed.
type mqttFeed struct {
	client *mqtt.Client
	some   []mqtt.Message // scratch of Some
}

// silentPeriods is how many periods a topic may be silent before it is said.
const silentPeriods = 3

func newMQTTFeed(s *configs.Source, o feedOptions) (feed, error) {
	client, err := mqtt.New(mqttOptions(s, o))
	if err != nil {
		return nil, err
	}
	return &mqttFeed{client: client, some: make([]mqtt.Message, atOnce)}, nil
}

func mqttOptions(s *configs.Source, o feedOptions) mqtt.Options {
	options := mqtt.Options{
		Name: s.Name, Broker: s.Broker, ClientID: s.ClientID, User: s.User, PasswordFile: s.PasswordFile,
		CAFile: s.CAFile, CertFile: s.CertificateFile, KeyFile: s.KeyFile, QoS: s.QoS,
		QuietAfter: s.QuietAfter, QueueLen: o.queue, Log: o.log, Now: o.clock,
		OnStatus: func(status mqtt.Status) { o.told(mqttStatus(status)) },
	}
	if s.Sparkplug != nil {
		sparkplugLink(s, &options, o.visitor)
	}
	for i, t := range s.Mapping.Topics {
		quiet := quietAfter(s, i)
		options.Topics = append(options.Topics, mqtt.Topic{Pattern: t.Pattern, QuietAfter: quiet})
		if i == 0 || quiet < options.QuietAfter {
			options.QuietAfter = quiet // of the liveliest topic
		}
	}
	return options
}

// quietAfter is how long topic i may be silent: as the source says, or for a slow
// channel three of its periods.
func quietAfter(s *configs.Source, topic int) time.Duration {
	least := time.Duration(0)
	for c := range ingest.NumChannels {
		ch := &s.Mapping.Channels[c]
		if ch.Mapped && ch.Topic == topic && ch.Period > 0 && (least == 0 || ch.Period < least) {
			least = ch.Period
		}
	}
	return max(s.QuietAfter, silentPeriods*least)
}

func (f *mqttFeed) Start()                          { f.client.Start() }
func (f *mqttFeed) Close(ctx context.Context) error { return f.client.Close(ctx) }
func (f *mqttFeed) Status() feedStatus              { return mqttStatus(f.client.Status()) }

func (f *mqttFeed) Stats() feedStats {
	n := f.client.Stats()
	return feedStats{Received: n.Received, Dropped: n.Dropped, Waiting: n.Waiting}
}

func mqttStatus(s mqtt.Status) feedStatus {
	return feedStatus{Source: s.Source, State: s.State.String(), Open: s.State.Open(), Since: s.Since, Detail: s.Detail}
}

// Some gives what waits. Retained messages are marked as not to be used: they are of an
// unknown past.
func (f *mqttFeed) Some(ctx context.Context, to []watch.Message) (int, error) {
	n, err := f.client.Some(ctx, f.some[:min(len(to), len(f.some))])
	for i := range n {
		to[i] = watched(&f.some[i])
		f.some[i] = mqtt.Message{}
	}
	return n, err
}

func watched(m *mqtt.Message) watch.Message {
	out := watch.Message{Message: ingest.Message{
		Rig: m.Rig, Topic: m.Topic, Pattern: m.Pattern, Payload: m.Payload, Received: m.Received,
	}}
	switch {
	case m.Retained:
		out.Reject = ingest.RejectRetained
	case m.Unknown:
		out.Reject = ingest.RejectBadTopic
	}
	return out
}
