package dashboard

import "net/http"

func (s *Server) fleetPage(w http.ResponseWriter, r *http.Request) {
	s.render(w, http.StatusOK, "fleet.html", pageData{Version: s.opts.Version})
}

func (s *Server) tourPage(w http.ResponseWriter, r *http.Request) {
	s.render(w, http.StatusOK, "tour.html", pageData{Rigs: s.summariesFor(seatOf(r).Rights), Caution: Caution, Version: s.opts.Version})
}

func (s *Server) helpPage(w http.ResponseWriter, r *http.Request) {
	s.render(w, http.StatusOK, "help.html", pageData{Caution: Caution, Version: s.opts.Version})
}
