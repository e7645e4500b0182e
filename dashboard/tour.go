package dashboard

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"time"

	"hoistward/dashboard/access"
)

// Bounds of one look back.
const (
	longestTour = 7 * 24 * time.Hour
	tourEvents  = 500
)

// Happened is what a journal says of a period.
type Happened struct {
	From    time.Time         `json:"from"`
	To      time.Time         `json:"to"`
	Events  []json.RawMessage `json:"events"`        // lines of the journal, oldest first
	More    int               `json:"more"`          // before them, in the same period
	Damaged int               `json:"damaged_lines"` // of the whole journal
}

// happened answers with what the journal says of a period, the newest 500 entries of it.
// Query as of alarmFigures; the standard is the last 12 h.
func (s *Server) happened(w http.ResponseWriter, r *http.Request) {
	if s.opts.Happened == nil {
		writeError(w, http.StatusNotFound, "this monitor keeps no journal")
		return
	}
	q := r.URL.Query()
	if !q.Has("from") {
		to, err := instant(q, "to", s.opts.Now())
		if err == nil {
			q.Set("from", to.Add(-12*time.Hour).Format(time.RFC3339))
		}
	}
	rigs, from, to, err := s.period(q, seatOf(r).Rights)
	if err == nil && to.Sub(from) > longestTour {
		err = fmt.Errorf("from, to: got a period of %s, want at most %s", to.Sub(from), longestTour)
	}
	if err != nil {
		writeError(w, http.StatusBadRequest, err.Error())
		return
	}
	h := Happened{}
	if rights := seatOf(r); len(rigs) == 0 && !rights.Sees(access.AllRigs) {
		rigs = slices.Clone(rights.Rigs)
		if len(rigs) == 0 { // no rig is not every rig
			rigs = []string{""}
		}
	}
	s.figuring.Lock() // a journal may be long: one reader at a time
	defer s.figuring.Unlock()
	h, err = s.opts.Happened(rigs, from, to, tourEvents)
	if err != nil {
		writeError(w, http.StatusInternalServerError, err.Error())
		return
	}
	h.From, h.To = from, to
	h.Events = append([]json.RawMessage{}, h.Events...) // [] where there are none
	writeJSON(w, http.StatusOK, h)
}
