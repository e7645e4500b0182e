package dashboard

import (
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
)

// guard lets through what a browser on our own page would ask.
//
//   - Host must be a loopback name or one of Options.Hosts: a foreign name that
//     resolves to this machine (DNS rebinding) is refused with 421.
//   - Origin, where there is one, must be our own, for every method; so must
//     Sec-Fetch-Site where something is changed or a socket opened: 403.
//   - One address may ask so often and no more: 429. So may one session (see enforce).
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.headers(w.Header(), r.Host)
		if !s.ownHost(r.Host) {
			w.Header().Set("Content-Security-Policy", "default-src 'none'")
			http.Error(w, "this dashboard answers only under its own names: a loopback name, or one of hosts in the site file",
				http.StatusMisdirectedRequest)
			return
		}
		if !s.ownOrigin(r) {
			http.Error(w, "a page from somewhere else may not use this dashboard", http.StatusForbidden)
			return
		}
		if s.tooFast(w, &s.pacer, source(s.peer(r))) {
			return
		}
		next.ServeHTTP(w, r)
	})
}

func (s *Server) headers(h http.Header, host string) {
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
	h.Set("Cache-Control", "no-store")
	socket := "ws://" + host
	if s.secure() {
		socket = "wss://" + host
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; "+
		"img-src 'self'; connect-src 'self' "+socket+"; base-uri 'none'; form-action 'none'; "+
		"frame-ancestors 'none'; require-trusted-types-for 'script'")
}

// ownHost tells whether a Host header names this server.
func (s *Server) ownHost(hostport string) bool {
	host, ok := hostName(hostport)
	if !ok {
		return false
	}
	if strings.EqualFold(host, "localhost") || slices.ContainsFunc(s.opts.Hosts, func(own string) bool { return strings.EqualFold(own, host) }) {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

func hostName(hostport string) (string, bool) {
	host := hostport
	if h, port, err := net.SplitHostPort(hostport); err == nil {
		if strings.Trim(port, "0123456789") != "" {
			return "", false
		}
		host = h
	}
	return strings.Trim(host, "[]"), true
}

func (s *Server) ownOrigin(r *http.Request) bool {
	if changes := r.Method != http.MethodGet && r.Method != http.MethodHead; changes || r.Header.Get("Upgrade") != "" {
		if site := r.Header.Get("Sec-Fetch-Site"); site != "" && site != "same-origin" && site != "none" {
			return false
		}
	}
	origins := r.Header.Values("Origin")
	if len(origins) == 0 { // not a browser, or a plain navigation
		return true
	}
	scheme := "http"
	if s.secure() {
		scheme = "https"
	}
	u, err := url.Parse(origins[0])
	return err == nil && len(origins) == 1 && u.Scheme == scheme && strings.EqualFold(u.Host, r.Host)
}

// tooFast counts one request and answers it where it is one too many.
func (s *Server) tooFast(w http.ResponseWriter, p *pacer, key string) bool {
	if p.take(key, s.opts.Now()) == 0 {
		return false
	}
	s.paced.Add(1)
	w.Header().Set("Retry-After", "1")
	writeError(w, http.StatusTooManyRequests, "too many requests: ask again in a second")
	return true
}
