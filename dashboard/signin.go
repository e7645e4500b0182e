package dashboard

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"hoistward/dashboard/access"

	"go.uber.org/zap"
)

// Names of the session's cookie. With the prefix a browser takes it only over TLS, for
// this host alone and the whole of it (RFC 6265bis, section 4.1.3.2).
const (
	plainCookie  = "hoistward-session"
	secureCookie = "__Host-hoistward-session"
)

const signInWait = 10 * time.Second // for room to work out a password's hash

func (s *Server) cookieName() string {
	if s.secure() {
		return secureCookie
	}
	return plainCookie
}

// who returns the seat of a request, and whether it has one.
func (s *Server) who(r *http.Request) (access.Seat, bool) {
	if s.opts.Gate == nil {
		return access.Seat{Rights: access.Everything()}, true
	}
	token := ""
	if c, err := r.Cookie(s.cookieName()); err == nil {
		token = c.Value
	}
	return s.opts.Gate.Who(token, s.opts.Now())
}

// still tells whether the seat of an open socket may go on watching what it watches, and
// makes it the seat as it is now.
func (s *Server) still(c *client) bool {
	if s.opts.Gate == nil {
		return true
	}
	now, ok := s.opts.Gate.Still(c.seat, s.opts.Now())
	c.seat = now
	return ok && now.May(access.Watch) && (c.rig == nil || now.Sees(c.rig.name))
}

func (s *Server) signInPage(w http.ResponseWriter, r *http.Request) {
	s.render(w, http.StatusOK, "signin.html", pageData{Caution: Caution, Version: s.opts.Version})
}

// signIn begins a session: {"person": ..., "password": ...}. It answers 200 as
// GET /api/me does, 401 to a wrong name or password alike, 429 with Retry-After to who
// tried too often.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request) {
	var asked struct {
		Person   string `json:"person"`
		Password string `json:"password"`
	}
	if !readBody(w, r, &asked) {
		return
	}
	if s.opts.Gate == nil || !s.opts.Gate.Closed(s.opts.Now()) {
		writeError(w, http.StatusConflict, "there are no accounts: nobody needs to sign in")
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), signInWait)
	defer cancel()
	token, rights, err := s.opts.Gate.SignIn(ctx, strings.TrimSpace(asked.Person), asked.Password, s.peer(r), s.opts.Now())
	var wait *access.WaitError
	switch {
	case errors.As(err, &wait):
		w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(wait.Wait.Seconds()))))
		writeError(w, http.StatusTooManyRequests, err.Error())
	case errors.Is(err, access.ErrBusy):
		w.Header().Set("Retry-After", "5")
		writeError(w, http.StatusServiceUnavailable, err.Error())
	case errors.Is(err, access.ErrRefused):
		writeError(w, http.StatusUnauthorized, err.Error())
	case err != nil:
		s.opts.Log.Error("sign-in", zap.Error(err))
		writeError(w, http.StatusInternalServerError, "the sign-in could not be checked: see the monitor's log")
	default:
		// The session's own limits count; the cookie may stay as long as the longest of them.
		http.SetCookie(w, s.cookie(token, 400*24*60*60))
		writeJSON(w, http.StatusOK, s.meOf(access.Seat{Rights: rights}, true))
	}
}

func (s *Server) cookie(token string, age int) *http.Cookie {
	return &http.Cookie{Name: s.cookieName(), Value: token, Path: "/", MaxAge: age,
		HttpOnly: true, Secure: s.secure(), SameSite: http.SameSiteStrictMode}
}

func (s *Server) signOut(w http.ResponseWriter, r *http.Request) {
	if seat, in := s.who(r); in && s.opts.Gate != nil && seat.Person != "" {
		s.opts.Gate.SignOut(seat, s.peer(r), s.opts.Now())
	}
	http.SetCookie(w, s.cookie("", -1))
	w.WriteHeader(http.StatusNoContent)
}

// Me is what GET /api/me says of who asks.
type Me struct {
	SignedIn    bool               `json:"signed_in"` // or need not
	Accounts    bool               `json:"accounts"`  // people sign in here
	Person      string             `json:"person"`    // empty = not known by name
	Station     bool               `json:"station"`   // a cabin's terminal: acts say who stands there
	Role        string             `json:"role"`      // none, watch, acknowledge, manage
	Rigs        []string           `json:"rigs"`      // "*" = all
	Preferences access.Preferences `json:"preferences"`
}

func (s *Server) me(w http.ResponseWriter, r *http.Request) {
	seat, in := s.who(r)
	writeJSON(w, http.StatusOK, s.meOf(seat, in))
}

func (s *Server) meOf(seat access.Seat, in bool) Me {
	m := Me{SignedIn: in, Person: seat.Person, Station: seat.Station, Role: seat.Role.String(), Rigs: seat.Rigs}
	if m.Rigs == nil {
		m.Rigs = []string{}
	}
	if s.opts.Gate != nil {
		m.Accounts = s.opts.Gate.Closed(s.opts.Now())
		if in {
			m.Preferences = s.opts.Gate.Likes(seat)
		}
	}
	return m
}

func (s *Server) setPreferences(w http.ResponseWriter, r *http.Request) {
	var p access.Preferences
	if !readBody(w, r, &p) {
		return
	}
	if s.opts.Gate == nil {
		writeError(w, http.StatusConflict, "this monitor keeps no preferences")
		return
	}
	if err := s.opts.Gate.SetLikes(seatOf(r), p); err != nil {
		writeError(w, http.StatusBadRequest, err.Error())
		return
	}
	writeJSON(w, http.StatusOK, p)
}

// sign puts the person's name on an act: their own, whatever the page sent; at a
// cabin's terminal the one typed there, with the terminal's behind it.
func sign(seat access.Seat, typed string) (string, error) {
	switch {
	case seat.Person == "": // nobody signs in here
		return typed, nil
	case !seat.Station:
		return seat.Person, nil
	case strings.TrimSpace(typed) == "":
		return "", fmt.Errorf("person: got nothing, want the name of who stands at %s", seat.Person)
	}
	return strings.TrimSpace(typed) + " at " + seat.Person, nil
}
