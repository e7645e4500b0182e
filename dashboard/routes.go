package dashboard

import (
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"

	"hoistward/dashboard/access"
)

// anyone is the least role of a route that answers also who has not signed in.
const anyone access.Role = 0

// route is one row of the table that the server is made from. A route is added here and
// nowhere else; one below /api also stands in openapi.yaml, which a test holds to it.
type route struct {
	method, path string
	least        access.Role // that the person must have
	page         bool        // who has not signed in is sent to the sign-in page, not answered in JSON
	handle       http.HandlerFunc
}

// table lists every route. Where the path has {rig}, it must be a rig that exists and
// that the person sees: for others it is answered as one that does not exist.
func (s *Server) table() []route {
	const watch, acknowledge = access.Watch, access.Acknowledge
	rows := []route{
		{"GET", "/{$}", watch, true, s.startPage},
		{"GET", "/cabin/{rig}", watch, true, s.cabinPage},
		{"GET", "/fleet", watch, true, s.fleetPage},
		{"GET", "/fleet/tour", watch, true, s.tourPage},
		{"GET", "/help", watch, true, s.helpPage},
		{"GET", "/sign-in", anyone, true, s.signInPage},
		{"GET", "/ws/{rig}", watch, false, s.watch},
		{"GET", "/ws/fleet", watch, false, s.watchFleet},
		{"GET", "/api/rigs", watch, false, s.listRigs},
		{"GET", "/api/rigs/{rig}", watch, false, s.showRig},
		{"GET", "/api/rigs/{rig}/trend", watch, false, s.showTrend},
		{"POST", "/api/rigs/{rig}/acts", acknowledge, false, s.act},
		{"POST", "/api/rigs/{rig}/sound", watch, false, s.hearSound},
		{"GET", "/api/alarms/figures", watch, false, s.alarmFigures},
		{"GET", "/api/alarms/events", watch, false, s.happened},
		{"GET", "/api/me", anyone, false, s.me},
		{"PUT", "/api/me/preferences", watch, false, s.setPreferences},
		{"POST", "/api/session", anyone, false, s.signIn},
		{"DELETE", "/api/session", anyone, false, s.signOut},
		{"GET", "/healthz", anyone, false, s.health},
		{"GET", "/readyz", anyone, false, s.ready},
		{"GET", "/assets/{file...}", anyone, false, s.asset},
		{"GET", "/", watch, true, s.notFoundPage},
	}
	rows = append(rows, s.replayRows()...)
	if s.opts.Metrics != nil {
		rows = append(rows, route{"GET", "/metrics", anyone, false, s.metrics})
	}
	return rows
}

func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	for _, r := range s.table() {
		mux.HandleFunc(r.method+" "+r.path, s.enforce(r))
	}
	return s.guard(mux)
}

type seatKey struct{}

// seatOf returns who asks. Outside of a route it is nobody.
func seatOf(r *http.Request) access.Seat {
	seat, _ := r.Context().Value(seatKey{}).(access.Seat)
	return seat
}

// enforce lets a request through to a route's handler when who asks may.
func (s *Server) enforce(row route) http.HandlerFunc {
	ofRig := strings.Contains(row.path, "{rig}")
	return func(w http.ResponseWriter, r *http.Request) {
		seat, in := s.who(r)
		switch {
		case row.least > anyone && !in && row.page:
			http.Redirect(w, r, "/sign-in?to="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
			return
		case row.least > anyone && !in:
			writeError(w, http.StatusUnauthorized, "sign in first: POST /api/session, or the page /sign-in")
			return
		case row.least > anyone && !seat.May(row.least):
			s.refuse(r, seat, "role "+seat.Role.String()+" of "+row.least.String())
			writeError(w, http.StatusForbidden, "your role is "+seat.Role.String()+"; this needs "+row.least.String())
			return
		}
		if key := seat.Session(); key != "" && s.tooFast(w, &s.seats, key) {
			return
		}
		r = WithSeat(r, seat)
		if ofRig && s.rigOf(r) == nil {
			if row.page {
				s.notFoundPage(w, r)
			} else {
				writeError(w, http.StatusNotFound, "no rig of that name")
			}
			return
		}
		row.handle(w, r)
	}
}

// rigOf returns the rig of the path, nil where there is none that who asks sees.
func (s *Server) rigOf(r *http.Request) *rigState {
	name := r.PathValue("rig")
	if !seatOf(r).Sees(name) {
		return nil
	}
	return s.lookup(name)
}

// refuse writes down what a person may not.
func (s *Server) refuse(r *http.Request, seat access.Seat, why string) {
	if s.opts.Gate != nil {
		s.opts.Gate.Note(access.Entry{At: s.opts.Now(), Person: seat.Person, Address: s.peer(r), What: "refused",
			Rig: r.PathValue("rig"), Detail: r.Method + " " + r.URL.Path, Outcome: why})
	}
}

// peer is the address that a request came from, without its port. Behind a proxy it is
// what the proxy wrote last into X-Forwarded-For, believed only where the connection
// itself comes from this machine or a private network: what stands before it, anyone
// may have written.
func (s *Server) peer(r *http.Request) string {
	from := direct(r)
	if !s.opts.BehindProxy {
		return from
	}
	proxy, err := netip.ParseAddr(from)
	if err != nil || !(proxy.IsLoopback() || proxy.IsPrivate()) {
		return from
	}
	said := r.Header.Values("X-Forwarded-For")
	if len(said) == 0 {
		return from
	}
	words := strings.Split(said[len(said)-1], ",")
	told, err := netip.ParseAddr(strings.TrimSpace(words[len(words)-1]))
	if err != nil {
		return from
	}
	return told.Unmap().WithZone("").String()
}

// direct is the address at the other end of the connection.
func direct(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}
