package main

import (
	"fmt"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms/watch"
	"hoistward/ingest"
	"hoistward/ingest/record/historian"
)

// historianDir is the folder of places and refused points in a data folder.
const historianDir = "historian"

// openHistorian starts the forwarder where the site has a historian. Nothing is
// recorded yet.
func (st *station) openHistorian(recordings string) error {
	h := st.site.Forward
	if h == nil {
		return nil
	}
	f, err := historian.Open(historian.Options{
		URL: h.URL, Org: h.Org, Bucket: h.Bucket,
		TokenFile: h.TokenFile, User: h.User, Password: h.PasswordFile, CAFile: h.CAFile,
		Recordings: recordings, State: filepath.Join(st.site.Data, historianDir), Clock: st.clock,
		Interval: h.Interval, Batch: h.Batch, Rate: h.Rate,
	})
	if err != nil {
		return err
	}
	for _, note := range f.Status().Notes {
		st.log.Error("historian", zap.String("note", note))
	}
	st.forward = f
	return nil
}

// deadband is how much of the limit the lag must fall below before the historian is
// no longer behind.
const deadband = 0.9

// watchHistorian tells the loop when the historian falls behind and when it has
// caught up, and the log when its state changes.
func (st *station) watchHistorian(u *undo) {
	if st.forward == nil {
		return
	}
	state := ""
	eachSecond(u, "historian watch", func() {
		s := st.forward.Status()
		st.judgeLag(&s, state == "")
		if s.State != state {
			state = s.State
			st.log.Info("historian", zap.String("state", s.State), zap.Float64("behind_s", s.Behind.Seconds()), zap.String("reason", s.Error))
		}
	})
}

// judgeLag tells of a change, and at first of what is.
func (st *station) judgeLag(s *historian.Status, first bool) {
	limit := st.site.Forward.BehindAfter
	was := st.behind.Load()
	now := s.Behind > limit || was && s.Behind > time.Duration(deadband*float64(limit))
	if now == was && !first {
		return
	}
	st.behind.Store(now)
	link := ingest.Link{Source: watch.HistorianLink, State: "forwarding"}
	if now {
		link.State = "behind"
		link.Detail = fmt.Sprintf("by %s, limit %s", s.Behind.Round(time.Second), limit)
		if s.Error != "" {
			link.Detail += "; " + s.Error
		}
	}
	st.loop.Link(link)
}

type historianHealth struct {
	State    string            `json:"state"`
	Sent     uint64            `json:"sent"`
	Requests uint64            `json:"requests"`
	Refused  uint64            `json:"refused"` // since the start
	Words    string            `json:"refused_words,omitempty"`
	BehindMs int64             `json:"behind_ms"`
	Error    string            `json:"error,omitempty"`
	ErrorAt  string            `json:"error_at,omitempty"`
	RetryAt  string            `json:"retry_at,omitempty"`
	Notes    []string          `json:"notes,omitempty"`
	Rigs     []historianPlaces `json:"rigs"`
}

type historianPlaces struct {
	Rig      string `json:"rig"`
	Received string `json:"received,omitempty"` // all up to here is with the historian
	Refused  uint64 `json:"refused"`            // in all
}

func forwarding(s historian.Status) *historianHealth {
	h := &historianHealth{State: s.State, Sent: s.Sent, Requests: s.Requests, Refused: s.Refused, Words: s.Words,
		BehindMs: s.Behind.Milliseconds(), Error: s.Error, Notes: s.Notes, Rigs: []historianPlaces{}}
	if !s.ErrorAt.IsZero() {
		h.ErrorAt = clockText(s.ErrorAt)
	}
	if !s.RetryAt.IsZero() {
		h.RetryAt = clockText(s.RetryAt)
	}
	for _, r := range s.Rigs {
		p := historianPlaces{Rig: r.Rig, Refused: r.Refused}
		if !r.Received.IsZero() {
			p.Received = clockText(r.Received)
		}
		h.Rigs = append(h.Rigs, p)
	}
	return h
}
