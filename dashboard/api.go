package dashboard

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"hoistward/dashboard/access"
	"hoistward/ingest"

	"go.uber.org/zap"
)

func (s *Server) listRigs(w http.ResponseWriter, r *http.Request) {
	writeJSON(w, http.StatusOK, s.summariesFor(seatOf(r).Rights))
}

// summariesFor lists the rigs that the person sees, by name.
func (s *Server) summariesFor(rights access.Rights) []Summary {
	return slices.DeleteFunc(s.Summaries(), func(x Summary) bool { return !rights.Sees(x.Rig) })
}

func (s *Server) showRig(w http.ResponseWriter, r *http.Request) {
	rig := s.rigOf(r)
	s.freshen(rig)
	f := rig.newest.Load()
	if f == nil {
		writeError(w, http.StatusNotFound, "nothing has been heard of this rig yet")
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(f.text(s.opts.Now())) // the peer is gone: nobody to tell
}

// act answers 200 when the act is on disk and 409 with the reason when the desk
// refuses it.
func (s *Server) act(w http.ResponseWriter, r *http.Request) {
	rig := s.rigOf(r)
	var act ingest.Act
	if !readBody(w, r, &act) {
		return
	}
	seat := seatOf(r)
	var err error
	if act.Person, err = sign(seat, act.Person); err != nil {
		writeError(w, http.StatusBadRequest, err.Error())
		return
	}
	if err := act.Check(); err != nil {
		writeError(w, http.StatusBadRequest, err.Error())
		return
	}
	if s.opts.Desk == nil {
		writeJSON(w, http.StatusConflict, map[string]string{"refused": "this monitor only shows, it takes no acts"})
		return
	}
	if slices.Contains(managed, act.Do) && !seat.May(access.Manage) {
		s.refuse(r, seat, act.Do+" needs the role manage")
		writeError(w, http.StatusForbidden, "your role is "+seat.Role.String()+"; "+act.Do+" needs manage")
		return
	}
	err = s.opts.Desk.Act(rig.name, act)
	s.noteAct(r, rig.name, &act, err)
	if err != nil {
		writeJSON(w, http.StatusConflict, map[string]string{"refused": err.Error()})
		return
	}
	writeJSON(w, http.StatusOK, map[string]bool{"accepted": true})
}

// managed are the acts that change what the monitor watches for longer than a tour.
var managed = []string{ingest.DoOutOfService, ingest.DoReturnToService, ingest.DoReferenceSet}

func (s *Server) noteAct(r *http.Request, rig string, act *ingest.Act, refused error) {
	if s.opts.Gate == nil {
		return
	}
	outcome := "done"
	if refused != nil {
		outcome = refused.Error()
	}
	s.opts.Gate.Note(access.Entry{At: s.opts.Now(), Person: act.Person, Address: s.peer(r), What: "act", Rig: rig,
		Detail: strings.TrimSpace(act.Do + " " + act.Alarm + " " + act.Channel), Outcome: outcome})
}

// soundReport is what one page last said about its own sound.
type soundReport struct {
	Running bool
	Reason  string
	At      time.Time
}

const (
	soundPages  = 32               // pages remembered for one rig
	soundMemory = 60 * time.Second // a page reports every 15 s
)

func (s *Server) hearSound(w http.ResponseWriter, r *http.Request) {
	rig := s.rigOf(r)
	var report struct {
		Page    string `json:"page"`
		Running bool   `json:"running"`
		Reason  string `json:"reason"`
	}
	if !readBody(w, r, &report) {
		return
	}
	if report.Page == "" || len(report.Page) > 64 || len(report.Reason) > 200 {
		writeError(w, http.StatusBadRequest, "page: want an identifier of 64 letters at most, and a reason of 200 at most")
		return
	}
	now := s.opts.Now()
	s.mu.Lock()
	before, known := rig.sound[report.Page]
	rig.forgetSound(now)
	if _, still := rig.sound[report.Page]; still || len(rig.sound) < soundPages {
		rig.sound[report.Page] = soundReport{report.Running, report.Reason, now}
	}
	s.mu.Unlock()
	if !known || before.Running != report.Running {
		s.opts.Log.Info("sound of a page", zap.String("rig", rig.name), zap.String("page", report.Page),
			zap.Bool("running", report.Running), zap.String("reason", report.Reason))
	}
	w.WriteHeader(http.StatusNoContent)
}

func (rig *rigState) forgetSound(now time.Time) {
	for page, report := range rig.sound {
		if now.Sub(report.At) > soundMemory {
			delete(rig.sound, page)
		}
	}
}

// countSound returns how many pages can be heard and how many cannot.
func (rig *rigState) countSound(now time.Time) (running, silent int) {
	rig.forgetSound(now)
	for _, report := range rig.sound {
		if report.Running {
			running++
		} else {
			silent++
		}
	}
	return running, silent
}

// Figures are the dashboard's own part of /healthz.
type Figures struct {
	Version         string `json:"version"`
	Pages           int    `json:"pages"`              // open now
	Served          uint64 `json:"pages_served"`       // since the start
	Slow            uint64 `json:"pages_dropped_slow"` // could not take a snapshot in time
	Lost            uint64 `json:"pages_gone"`         // closed, or did not answer pings
	Refused         uint64 `json:"pages_refused"`      // too many, or stopping
	Paced           uint64 `json:"requests_refused_as_too_many"`
	NotFinite       uint64 `json:"numbers_not_finite"`          // shown as not known
	BrokenSnapshots uint64 `json:"snapshots_that_are_not_json"` // not shown
	// Certificate is the page's; none where TLS is not the server's own.
	Certificate *CertificateStatus `json:"certificate,omitempty"`
	Rigs        []Summary          `json:"rigs"`
}

// Figures returns the dashboard's own part of /healthz.
func (s *Server) Figures() Figures {
	s.mu.Lock()
	pages := len(s.clients)
	s.mu.Unlock()
	var certificate *CertificateStatus
	if s.opts.TLS != nil {
		status := s.opts.TLS.Status(time.Now())
		certificate = &status
	}
	return Figures{
		Certificate: certificate, Version: s.opts.Version, Pages: pages, Served: s.served.Load(), Slow: s.slow.Load(), Lost: s.lost.Load(),
		Refused: s.full.Load(), Paced: s.paced.Load(), NotFinite: s.cleaned.Load(), BrokenSnapshots: s.broken.Load(), Rigs: s.Summaries(),
	}
}

// health writes what Options.Health says with one key added, "dashboard", for programs on
// this machine and who sees all rigs. Others are told only that the server is alive.
func (s *Server) health(w http.ResponseWriter, r *http.Request) {
	if !s.mayLookInside(r) {
		writeJSON(w, http.StatusOK, map[string]bool{"alive": true})
		return
	}
	all := map[string]any{}
	if s.opts.Health != nil {
		text, err := json.Marshal(s.opts.Health())
		if err != nil {
			writeError(w, http.StatusInternalServerError, "health: "+err.Error())
			return
		}
		var fields map[string]json.RawMessage
		if json.Unmarshal(text, &fields) == nil {
			for key, value := range fields {
				all[key] = value
			}
		} else {
			all["health"] = json.RawMessage(text)
		}
	}
	all["dashboard"] = s.Figures()
	writeJSON(w, http.StatusOK, all)
}

// metrics answers programs on this machine, which have no session, and who sees all rigs.
func (s *Server) metrics(w http.ResponseWriter, r *http.Request) {
	if !s.mayLookInside(r) {
		writeError(w, http.StatusUnauthorized, "metrics are for programs on the monitor's own machine and for people who see all rigs")
		return
	}
	s.opts.Metrics.ServeHTTP(w, r)
}

// mayLookInside tells whether r is of a program on this machine, or of who sees all rigs.
func (s *Server) mayLookInside(r *http.Request) bool {
	seat, in := s.who(r)
	address := net.ParseIP(direct(r))
	own := address != nil && address.IsLoopback() && !s.opts.BehindProxy
	return own || in && seat.Sees(access.AllRigs)
}

// ready answers 200 only while every rig is watched, else 503. What of which rig is
// missing is told to programs on this machine and to who sees all rigs.
func (s *Server) ready(w http.ResponseWriter, r *http.Request) {
	if s.opts.Ready == nil {
		writeError(w, http.StatusNotFound, "nobody looks whether this server watches")
		return
	}
	ready, state := s.opts.Ready()
	status := http.StatusOK
	if !ready {
		status = http.StatusServiceUnavailable
	}
	if !s.mayLookInside(r) {
		state = map[string]bool{"watching": ready}
	}
	writeJSON(w, status, state)
}

// readBody reads one JSON object into v, or answers the request with what is wrong.
func readBody(w http.ResponseWriter, r *http.Request, v any) bool {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		writeError(w, http.StatusUnsupportedMediaType, "want Content-Type application/json")
		return false
	}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody))
	d.DisallowUnknownFields()
	err := d.Decode(v)
	if err == nil {
		if _, err = d.Token(); err == io.EOF {
			return true
		}
		if err == nil {
			err = errors.New("more than one JSON value")
		}
	}
	if big := new(http.MaxBytesError); errors.As(err, &big) {
		writeError(w, http.StatusRequestEntityTooLarge, fmt.Sprintf("body: got more than %d bytes", big.Limit))
		return false
	}
	writeError(w, http.StatusBadRequest, "body: "+err.Error())
	return false
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	text, err := json.Marshal(v)
	if err != nil {
		status, text = http.StatusInternalServerError, []byte(`{"error":"the answer cannot be written as JSON"}`)
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, _ = w.Write(append(text, '\n')) // the peer is gone: nobody to tell
}

func writeError(w http.ResponseWriter, status int, reason string) {
	writeJSON(w, status, map[string]string{"error": reason})
}
