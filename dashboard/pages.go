package dashboard

import (
	"bytes"
	"embed"
	"html/template"
	"net/http"

	"go.uber.org/zap"
)

//go:embed assets
var assets embed.FS

var pages = template.Must(template.ParseFS(assets, "assets/*.html"))

// Caution is shown in full on the start page.
const Caution = "Advisory only. It replaces no crown or floor limit device, no emergency stop, no brake or line inspection, " +
	"no weight indicator and no driller's attention; limits and test intervals come from the rig's own procedures, " +
	"the makers' data and the local rules; changes to a hoist are for competent, licensed people."

type pageData struct {
	Rig     string
	Rigs    []Summary
	Asked   string
	Caution string
	Version string
	ToDo    []string
	Local   bool // nobody signs in, and only this machine is answered
}

func (s *Server) startPage(w http.ResponseWriter, r *http.Request) {
	local := s.opts.Gate == nil || !s.opts.Gate.Closed(s.opts.Now())
	data := pageData{Rigs: s.summariesFor(seatOf(r).Rights), Caution: Caution, Version: s.opts.Version, Local: local}
	if s.opts.ToDo != nil {
		data.ToDo = s.opts.ToDo()
	}
	s.render(w, http.StatusOK, "start.html", data)
}

func (s *Server) cabinPage(w http.ResponseWriter, r *http.Request) {
	s.render(w, http.StatusOK, "cabin.html", pageData{Rig: s.rigOf(r).name, Version: s.opts.Version})
}

func (s *Server) notFoundPage(w http.ResponseWriter, r *http.Request) {
	s.render(w, http.StatusNotFound, "missing.html", pageData{Asked: r.URL.Path, Rigs: s.summariesFor(seatOf(r).Rights)})
}

func (s *Server) render(w http.ResponseWriter, status int, name string, data pageData) {
	var page bytes.Buffer
	if err := pages.ExecuteTemplate(&page, name, data); err != nil {
		s.opts.Log.Error("page cannot be written", zap.String("page", name), zap.Error(err))
		http.Error(w, "the page cannot be written", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(page.Bytes()) // the peer is gone: nobody to tell
}
