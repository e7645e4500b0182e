package dashboard

import (
	"fmt"
	"net/http"
	"net/url"
	"time"

	"hoistward/dashboard/access"
)

// longestFigures is the longest period that figures are given for at once.
const longestFigures = 400 * 24 * time.Hour

// alarmFigures answers with the figures of the alarms themselves. Query: rig (an
// operator position's, repeated; none = all), from and to (RFC 3339; standard: the last
// 24 h).
func (s *Server) alarmFigures(w http.ResponseWriter, r *http.Request) {
	if s.opts.AlarmFigures == nil {
		writeError(w, http.StatusNotFound, "this monitor keeps no journal")
		return
	}
	rigs, from, to, err := s.period(r.URL.Query(), seatOf(r).Rights)
	if err != nil {
		writeError(w, http.StatusBadRequest, err.Error())
		return
	}
	if rights := seatOf(r); len(rigs) == 0 && !rights.Sees(access.AllRigs) {
		rigs = rights.Rigs
	}
	s.figuring.Lock() // a journal may be long: one reader at a time
	defer s.figuring.Unlock()
	figures, err := s.opts.AlarmFigures(rigs, from, to)
	if err != nil {
		writeError(w, http.StatusInternalServerError, err.Error())
		return
	}
	writeJSON(w, http.StatusOK, figures)
}

func (s *Server) period(q url.Values, rights access.Rights) (rigs []string, from, to time.Time, err error) {
	for key := range q {
		if key != "rig" && key != "from" && key != "to" {
			return nil, from, to, fmt.Errorf("%.20q: got such a key, want rig, from or to", key)
		}
	}
	to = s.opts.Now()
	if to, err = instant(q, "to", to); err == nil {
		from, err = instant(q, "from", to.Add(-24*time.Hour))
	}
	for _, rig := range q["rig"] {
		if err == nil && (s.lookup(rig) == nil || !rights.Sees(rig)) {
			err = fmt.Errorf("rig: got %.40q, want one that is watched", rig)
		}
	}
	if d := to.Sub(from); err == nil && (d <= 0 || d > longestFigures) {
		err = fmt.Errorf("from, to: got a period of %s, want above 0 and at most %s", d, longestFigures)
	}
	return q["rig"], from, to, err
}

func instant(q url.Values, key string, standard time.Time) (time.Time, error) {
	if !q.Has(key) {
		return standard, nil
	}
	t, err := time.Parse(time.RFC3339, q.Get(key))
	if err != nil {
		return t, fmt.Errorf("%s: got %.40q, want a time such as 2026-11-24T06:00:00Z", key, q.Get(key))
	}
	return t.UTC(), nil
}
