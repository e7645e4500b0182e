package dashboard

import (
	"context"
	"net/http"

	"hoistward/dashboard/access"
)

// replayRows are the routes of the replay page. Which rig a recording is of, its handler
// asks Sees.
func (s *Server) replayRows() []route {
	const watch = access.Watch
	return []route{
		{"GET", "/replay", watch, true, s.replayPage},
		{"GET", "/api/replay/recordings", watch, false, s.replayed},
		{"GET", "/api/replay/keys", watch, false, s.replayed},
		{"POST", "/api/replay/runs", watch, false, s.replayed},
		{"GET", "/api/replay/runs/{run}", watch, false, s.replayed},
		{"DELETE", "/api/replay/runs/{run}", watch, false, s.replayed},
		{"GET", "/api/replay/runs/{run}/series", watch, false, s.replayed},
		{"GET", "/api/replay/runs/{run}/frames", watch, false, s.replayed},
		{"GET", "/api/replay/runs/{run}/table.csv", watch, false, s.replayed},
		{"GET", "/api/replay/runs/{run}/report.html", watch, false, s.replayed},
	}
}

// Sees tells whether who asks may see a rig; to be asked by handlers behind the routes.
func Sees(r *http.Request, rig string) bool { return seatOf(r).Sees(rig) }

func (s *Server) replayPage(w http.ResponseWriter, _ *http.Request) {
	s.render(w, http.StatusOK, "replay.html", pageData{Version: s.opts.Version})
}

func (s *Server) replayed(w http.ResponseWriter, r *http.Request) {
	if s.opts.Replay == nil {
		writeError(w, http.StatusNotFound, "no recordings are kept here")
		return
	}
	s.opts.Replay.ServeHTTP(w, r)
}

// WithSeat returns the request as one of who sits there, as the server's own routes make
// it for the handlers behind them.
func WithSeat(r *http.Request, seat access.Seat) *http.Request {
	return r.WithContext(context.WithValue(r.Context(), seatKey{}, seat))
}
