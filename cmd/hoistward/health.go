package main

import (
	"hoistward/alarms/notify"
	"hoistward/ingest"
	"hoistward/ingest/record"
	"hoistward/ingest/sparkplug"
)

// health is what /healthz says of the monitor.
type health struct {
	Status   string          `json:"status"` // "good", or what is wrong
	Version  string          `json:"version"`
	Links    []linkHealth    `json:"links"`
	Rejects  []ingest.Count  `json:"rejects"`
	Recorder recorderHealth  `json:"recorder"`
	Journal  journalHealth   `json:"journal"`
	Notify   []notify.Status `json:"notify"` // where alarms go besides the page
	// Strangers are rigs that send and have no rig file, a hundred by name.
	Strangers []ingest.Stranger `json:"rigs_without_file"`
	// Historian is of the forwarder; none where the site has no historian.
	Historian *historianHealth `json:"historian,omitempty"`
	// Pair is of this monitor as one of two; none where it is alone.
	Pair *pairHealth `json:"pair,omitempty"`
}

type linkHealth struct {
	Source  string `json:"source"`
	State   string `json:"state"`
	Detail  string `json:"detail,omitempty"`
	Since   string `json:"since"`
	Taken   uint64 `json:"received"`
	Waiting int    `json:"waiting"`
	Dropped uint64 `json:"dropped"`
	// Clock is how far the source's clock is ahead of the monitor's; nil = it sends no
	// stamps, or none came yet.
	Clock *clockHealth `json:"clock_offset,omitempty"`
	// Nodes are the edge nodes of Sparkplug B.
	Nodes []sparkplug.NodeState `json:"nodes,omitempty"`
}

// clockHealth is of the newest stamps, s: stamp less receipt.
type clockHealth struct {
	Median float64 `json:"median_s"`
	Least  float64 `json:"least_s"`
	Most   float64 `json:"most_s"`
	Newest string  `json:"newest"` // receipt
}

func clockOf(o *ingest.Offsets) *clockHealth {
	now, ok := o.Now()
	if !ok {
		return nil
	}
	return &clockHealth{now.Median.Seconds(), now.Least.Seconds(), now.Most.Seconds(), clockText(now.Newest)}
}

type recorderHealth struct {
	Written  uint64   `json:"written"`
	Dropped  uint64   `json:"dropped"`
	Missed   uint64   `json:"missed"` // journal lines and rejects
	Refused  uint64   `json:"refused"`
	Waiting  int      `json:"waiting"`
	Failing  []string `json:"failing"` // rigs whose file cannot be written now
	SetAside []string `json:"set_aside"`
	Error    string   `json:"error,omitempty"`
	LowSpace bool     `json:"low_space"`
	LongLogs []string `json:"long_logs,omitempty"` // rigs whose write-ahead log grows, as a reader does not let go
}

func recording(s record.Status) recorderHealth {
	return recorderHealth{s.Written, s.Dropped, s.Missed, s.Refused, s.Queued, s.Failing, s.SetAside, s.LastError, s.LowSpace, s.LongLogs}
}

type journalHealth struct {
	Held  int    `json:"held"`
	Lost  uint64 `json:"lost"`
	Error string `json:"error,omitempty"`
}

func (st *station) health() any {
	h := health{
		Status: "good", Version: version, Rejects: st.counters.Snapshot(), Strangers: st.counters.Strangers(),
		Recorder: recording(st.recorder.Status()), Notify: st.notifier.Status(),
	}
	for _, n := range h.Notify {
		if n.State == notify.Failing {
			h.Status = "notification by " + n.Name + " fails"
		}
	}
	for _, src := range st.sources {
		s, n := src.feed.Status(), src.feed.Stats()
		link := linkHealth{
			Source: s.Source, State: s.State, Detail: s.Detail, Since: clockText(s.Since),
			Taken: n.Received, Waiting: n.Waiting, Dropped: n.Dropped, Clock: clockOf(src.offsets),
		}
		if src.host != nil {
			link.Nodes = src.host.Nodes()
		}
		h.Links = append(h.Links, link)
		if !s.Open {
			h.Status = "source " + s.Source + " is " + s.State
		}
	}
	if st.pair != nil {
		h.Pair = st.pair.health()
	}
	j := st.journal.Health()
	h.Journal = journalHealth{Held: j.Held, Lost: j.Lost}
	if j.Err != nil {
		h.Journal.Error, h.Status = j.Err.Error(), "the journal cannot be written"
	}
	if st.forward != nil {
		if h.Historian = forwarding(st.forward.Status()); st.behind.Load() {
			h.Status = "the historian is behind"
		}
	}
	if st.shed.Load() {
		h.Status = "readings are discarded"
	}
	if len(h.Recorder.Failing) > 0 {
		h.Status = "recording has stopped"
	}
	return h
}
