package dashboard

import (
	"net"
	"net/http"
	"net/url"
	"strings"
)

// guard lets through what a browser on this machine, on our own page, would ask.
//
//   - Host must be a loopback name: a foreign name that resolves to 127.0.0.1
//     (DNS rebinding) is refused with 421.
//   - Origin, where there is one, must be our own, for every method; so must
//     Sec-Fetch-Site where something is changed or a socket opened: 403.
func guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		headers(w.Header(), r.Host)
		if !loopbackHost(r.Host) {
			w.Header().Set("Content-Security-Policy", "default-src 'none'")
			http.Error(w, "this dashboard answers only under a loopback name, such as 127.0.0.1 or localhost",
				http.StatusMisdirectedRequest)
			return
		}
		if !ownOrigin(r) {
			http.Error(w, "a page from somewhere else may not use this dashboard", http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, r)
	})
}

func headers(h http.Header, host string) {
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; "+
		"img-src 'self'; connect-src 'self' ws://"+host+"; base-uri 'none'; form-action 'none'; "+
		"frame-ancestors 'none'; require-trusted-types-for 'script'")
}

func loopbackHost(hostport string) bool {
	host := hostport
	if h, port, err := net.SplitHostPort(hostport); err == nil {
		if strings.Trim(port, "0123456789") != "" {
			return false
		}
		host = h
	}
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip := net.ParseIP(strings.Trim(host, "[]"))
	return ip != nil && ip.IsLoopback()
}

func ownOrigin(r *http.Request) bool {
	if changes := r.Method != http.MethodGet && r.Method != http.MethodHead; changes || r.Header.Get("Upgrade") != "" {
		if site := r.Header.Get("Sec-Fetch-Site"); site != "" && site != "same-origin" && site != "none" {
			return false
		}
	}
	origins := r.Header.Values("Origin")
	if len(origins) == 0 { // not a browser, or a plain navigation
		return true
	}
	u, err := url.Parse(origins[0])
	return err == nil && len(origins) == 1 && u.Scheme == "http" && strings.EqualFold(u.Host, r.Host)
}
