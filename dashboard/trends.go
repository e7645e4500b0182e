package dashboard

import (
	"net/http"
	"sync"
	"time"

	"hoistward/dashboard/trend"
)

// trends are the last minutes and hours of each rig, since this server's start.
type trends struct {
	mu   sync.Mutex
	logs map[string]*trend.Log
}

// Note adds values to a rig's trends. Publish does so for each snapshot; a source that
// knows of more than it publishes notes that too, so that no peak in between is lost.
// It may be called from many goroutines.
func (s *Server) Note(rig string, at time.Time, v trend.Values) {
	s.trends.mu.Lock()
	defer s.trends.mu.Unlock()
	log := s.trends.logs[rig]
	if log == nil {
		log = new(trend.Log)
		s.trends.logs[rig] = log
	}
	log.Add(at, v)
}

// note adds a snapshot to the trends. What cannot be answered is not known there either.
func (s *Server) note(snap *Snapshot) {
	v := trend.Unknown()
	e := &snap.Estimate
	for figure, x := range map[trend.Figure]*float64{
		trend.Height: e.Height, trend.Velocity: e.Velocity, trend.HookLoad: e.HookLoad,
		trend.Heat: e.BrakeTemperature, trend.HeatBound: e.BrakeTemperatureHi,
	} {
		if x != nil {
			v[figure] = *x
		}
	}
	s.Note(snap.Rig, time.UnixMilli(snap.ServerMs), v)
}

var spans = map[string]trend.Span{"15m": trend.Short, "12h": trend.Long}

// showTrend answers with the least and the greatest of each step of a span. Query: span,
// "15m" (the standard) or "12h".
func (s *Server) showTrend(w http.ResponseWriter, r *http.Request) {
	rig := s.rigOf(r)
	name := "15m"
	if q := r.URL.Query(); q.Has("span") {
		name = q.Get("span")
	}
	span, known := spans[name]
	if !known {
		writeError(w, http.StatusBadRequest, "span: want 15m or 12h")
		return
	}
	now := s.opts.Now()
	s.trends.mu.Lock()
	log := s.trends.logs[rig.name]
	if log == nil {
		log = new(trend.Log)
	}
	series := log.Series(span, now)
	s.trends.mu.Unlock()
	writeZipped(w, r, struct {
		Rig  string `json:"rig"`
		Span string `json:"span"`
		trend.Series
	}{rig.name, name, series})
}
