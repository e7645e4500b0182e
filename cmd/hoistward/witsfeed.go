package main

import (
	"context"

	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/ingest/wits"
)

// witsFeed is a sender of WITS level 0 as a feed.
type witsFeed struct{ source *wits.Source }

func newWITSFeed(s *configs.Source, o feedOptions) (feed, error) {
	source, err := wits.NewSource(wits.SourceOptions{
		Name: s.Name, Rig: s.WITS.Rig, Connect: s.WITS.Connect, Listen: s.WITS.Listen, Allow: s.WITS.Allow,
		QuietAfter: s.QuietAfter, IdleAfter: s.WITS.IdleAfter, Log: o.log, Now: o.clock,
		OnStatus: func(status wits.Status) { o.told(witsStatus(status)) },
	})
	if err != nil {
		return nil, err
	}
	return witsFeed{source}, nil
}

func (f witsFeed) Start()                          { f.source.Start() }
func (f witsFeed) Close(ctx context.Context) error { return f.source.Close(ctx) }
func (f witsFeed) Status() feedStatus              { return witsStatus(f.source.Status()) }

func (f witsFeed) Stats() feedStats {
	n := f.source.Stats()
	return feedStats{Received: n.Received, Dropped: n.Dropped, Waiting: n.Waiting}
}

func witsStatus(s wits.Status) feedStatus {
	return feedStatus{Source: s.Source, State: s.State.String(), Open: s.State.Open(), Since: s.Since, Detail: s.Detail}
}

// Some gives the oldest waiting frame. One that was broken is marked as not to be used.
func (f witsFeed) Some(ctx context.Context, to []watch.Message) (int, error) {
	m, err := f.source.Next(ctx)
	if err != nil {
		return 0, err
	}
	to[0] = watch.Message{Message: m.Message, Reject: m.Reject}
	return 1, nil
}
