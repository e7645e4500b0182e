package dashboard

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// issue writes a certificate for the loopback address and its key.
func issue(t *testing.T, dir string, serial int64, from, to time.Time) (certFile, keyFile string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "doghouse.example"}, NotBefore: from, NotAfter: to,
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, DNSNames: []string{"doghouse.example"}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	text, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	certFile, keyFile = filepath.Join(dir, "page.pem"), filepath.Join(dir, "page.key")
	for name, block := range map[string]*pem.Block{certFile: {Type: "CERTIFICATE", Bytes: der}, keyFile: {Type: "PRIVATE KEY", Bytes: text}} {
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
		// Two writes within the file system's step of time must still be seen as two.
		if err := os.Chtimes(name, from, time.Unix(1_700_000_000+serial, 0)); err != nil {
			t.Fatal(err)
		}
	}
	return certFile, keyFile
}

func TestCertificateIsReadAgainAndSpokenOf(t *testing.T) {
	dir, now := t.TempDir(), time.Now().Truncate(time.Second)
	day := 24 * time.Hour
	cert, key := issue(t, dir, 1, now.Add(-day), now.Add(31*day))
	c, err := OpenCertificate(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		after time.Duration
		state string
		days  int
		words string
	}{
		{0, "good", 31, ""},
		{day - time.Second, "good", 30, ""},
		{day, "expires_soon", 30, "expires in 30 days"},
		{31*day - time.Second, "expires_soon", 0, "expires in 0 days"},
		{31 * day, "expired", 0, "expired on"},
		{33 * day, "expired", -2, "browsers refuse"},
		{-2 * day, "not_yet_valid", 33, "clock is wrong"},
	} {
		s := c.Status(now.Add(x.after))
		if s.State != x.state || s.Days != x.days || (x.words == "") != (s.Words() == "") || !strings.Contains(s.Words(), x.words) {
			t.Errorf("after %v: %+v %q, want %s, %d days, %q", x.after, s, s.Words(), x.state, x.days, x.words)
		}
	}
	serial := func() int64 {
		pair, err := c.config().GetCertificate(nil)
		if err != nil {
			t.Fatal(err)
		}
		return pair.Leaf.SerialNumber.Int64()
	}
	c.Status(now.Add(-time.Hour)) // a look in the past, so that the next is due
	issue(t, dir, 2, now.Add(-day), now.Add(90*day))
	c.looked = time.Time{}
	if got := serial(); got != 2 {
		t.Errorf("after renewal: certificate %d", got)
	}
	if err := os.WriteFile(cert, []byte("torn"), 0o600); err != nil {
		t.Fatal(err)
	}
	c.looked = time.Time{}
	if got := serial(); got != 2 {
		t.Errorf("a torn file: certificate %d", got)
	}
	if s := c.Status(time.Now()); s.Trouble == "" || !strings.Contains(s.Words(), "not in force") {
		t.Errorf("a torn file is not spoken of: %+v", s)
	}
	if _, err := OpenCertificate(cert, key); err == nil {
		t.Error("a torn file is opened")
	}
	issue(t, dir, 3, now.Add(-day), now.Add(90*day))
	if err := os.Chmod(key, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenCertificate(cert, key); err == nil || !strings.Contains(err.Error(), "chmod 600") {
		t.Errorf("a key that others may read: %v", err)
	}
}

func TestTLSIsAtLeast12AndItsCookieIsSecure(t *testing.T) {
	cert, key := issue(t, t.TempDir(), 1, time.Now().Add(-time.Hour), time.Now().Add(time.Hour))
	c, err := OpenCertificate(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	b := newBench(t, func(o *Options) { o.TLS, o.Hosts = c, []string{"doghouse.example"} })
	at := b.serve()
	roots := x509.NewCertPool()
	text, _ := os.ReadFile(cert)
	roots.AppendCertsFromPEM(text)
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots}}}
	defer client.CloseIdleConnections()
	r, err := client.Post("https://"+at+"/api/session", "application/json", strings.NewReader(`{"person":"Driller","password":"`+passWord+`"}`))
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	cookie := r.Cookies()[0]
	if r.StatusCode != 200 || !cookie.Secure || cookie.Name != "__Host-hoistward-session" || r.Header.Get("Strict-Transport-Security") == "" || r.TLS.Version < tls.VersionTLS12 {
		t.Errorf("%d %s %v", r.StatusCode, cookie, r.Header)
	}
	_, err = tls.Dial("tcp", at, &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11})
	if err == nil {
		t.Error("TLS 1.1 is spoken")
	}
	if r, err := http.Get("http://" + at + "/"); err == nil {
		r.Body.Close()
		if r.StatusCode == 200 {
			t.Error("HTTP in the clear is answered")
		}
	}
	var s CertificateStatus
	if f := b.Figures(); f.Certificate != nil {
		s = *f.Certificate
	}
	if s.State != "expires_soon" {
		t.Errorf("health says %+v", s)
	}
}

func TestBeyondThisMachineOnlyWithAccountsAndTLS(t *testing.T) {
	cert, key := issue(t, t.TempDir(), 1, time.Now().Add(-time.Hour), time.Now().Add(time.Hour))
	c, err := OpenCertificate(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	wide, local := &net.TCPAddr{IP: net.IPv4zero, Port: 8443}, &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8443}
	noGate := func(o *Options) { o.Gate = nil }
	noAccounts, noTLS := "there are no accounts", "there is no TLS"
	for _, x := range []struct {
		name   string
		at     net.Addr
		change func(*Options)
		not    []string
	}{
		{"wide", wide, func(o *Options) {}, []string{noTLS}},
		{"wide without accounts", wide, func(o *Options) { noGate(o); o.TLS = c }, []string{noAccounts}},
		{"wide without either", wide, noGate, []string{noAccounts, noTLS}},
		{"wide with both", wide, func(o *Options) { o.TLS = c }, nil},
		{"wide behind a proxy", wide, func(o *Options) { o.BehindProxy = true }, nil},
		{"behind a proxy without accounts", local, func(o *Options) { noGate(o); o.BehindProxy = true }, []string{noAccounts}},
		{"by other names without accounts", local, func(o *Options) { noGate(o); o.Hosts = []string{"doghouse.example"} }, []string{noAccounts, noTLS}},
		{"local without accounts", local, noGate, nil},
		{"no address of TCP", &net.UnixAddr{Name: "x"}, noGate, []string{noAccounts, noTLS}},
	} {
		err := newBench(t, x.change).MayServe(x.at)
		if (err == nil) != (x.not == nil) {
			t.Errorf("%s: %v", x.name, err)
		}
		for _, want := range x.not {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v, want %q", x.name, err, want)
			}
		}
	}
}

func TestWhoAsksBehindAProxy(t *testing.T) {
	for _, x := range []struct {
		proxy      bool
		from, said string
		want       string
	}{
		{false, "192.0.2.7:5", "198.51.100.1", "192.0.2.7"},
		{true, "127.0.0.1:5", "198.51.100.1", "198.51.100.1"},
		{true, "127.0.0.1:5", "10.9.9.9, 198.51.100.1", "198.51.100.1"}, // the first is the client's own word
		{true, "10.0.0.2:5", "198.51.100.1", "198.51.100.1"},
		{true, "192.0.2.7:5", "198.51.100.1", "192.0.2.7"}, // past the proxy
		{true, "127.0.0.1:5", "", "127.0.0.1"},
		{true, "127.0.0.1:5", "nobody", "127.0.0.1"},
		{true, "[::1]:5", "2001:db8::1", "2001:db8::1"},
	} {
		s := New(Options{BehindProxy: x.proxy})
		r := httptest.NewRequest("GET", "/", nil)
		r.RemoteAddr = x.from
		if x.said != "" {
			r.Header.Set("X-Forwarded-For", x.said)
		}
		if got := s.peer(r); got != x.want {
			t.Errorf("%+v: %s", x, got)
		}
	}
}

func TestHostsAreAList(t *testing.T) {
	s := New(Options{Hosts: []string{"doghouse.example", "192.0.2.10"}})
	for host, want := range map[string]bool{
		"doghouse.example": true, "DOGHOUSE.example:8443": true, "192.0.2.10:8443": true, "localhost:1": true, "[::1]:1": true,
		"rebound.example": false, "doghouse.example.rebound.example": false, "192.0.2.11": false, "": false, "doghouse.example:80; x": false,
	} {
		if s.ownHost(host) != want {
			t.Errorf("%q: %v", host, !want)
		}
	}
}

func TestPacer(t *testing.T) {
	now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	var p pacer
	for i := range paceBurst {
		if p.take("a", now) != 0 {
			t.Fatalf("refused at %d of a burst", i)
		}
	}
	if p.take("a", now) == 0 || p.take("b", now) != 0 {
		t.Error("a burst goes on, or one address costs another")
	}
	if p.take("a", now.Add(time.Second/pacePerSec+time.Millisecond)) != 0 {
		t.Error("after a moment one more may pass")
	}
	for i := range 3 * pacedAtMost {
		p.take(fmt.Sprint("x", i), now)
	}
	if len(p.by) > pacedAtMost {
		t.Errorf("%d addresses are remembered", len(p.by))
	}
}

// However requests and clock jump: in any stretch no more pass than a burst and what fills
// up meanwhile.
func TestPacerLetsNoMoreThrough(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		var p pacer
		start := time.Unix(1_700_000_000, 0)
		now, forward, passed := start, time.Duration(0), 0
		for range rapid.IntRange(1, 30).Draw(r, "steps") {
			step := time.Duration(rapid.IntRange(-2000, 5000).Draw(r, "step")) * time.Millisecond
			now = now.Add(step)
			forward += max(0, step)
			for range rapid.IntRange(0, 1500).Draw(r, "asked") {
				if p.take("a", now) == 0 {
					passed++
				}
			}
		}
		if most := paceBurst + forward.Seconds()*pacePerSec + 1; float64(passed) > most {
			r.Fatalf("%d passed, want %.0f at most", passed, most)
		}
	})
}

func TestTooManyRequestsAreRefused(t *testing.T) {
	b := newBench(t, nil)
	token := b.in("Driller")
	refused := 0
	for range paceBurst + 10 {
		if w := b.ask("GET", "/api/me", "", token); w.Code == http.StatusTooManyRequests {
			refused++
		}
	}
	if refused == 0 || b.Figures().Paced != uint64(refused) {
		t.Errorf("%d refused, %d counted", refused, b.Figures().Paced)
	}
}

// A real server refuses headers without end, and connections that say nothing are let go.
func TestHeadersAreBounded(t *testing.T) {
	at := newBench(t, nil).serve()
	r, err := http.NewRequest("GET", "http://"+at+"/healthz", nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	for size, want := range map[int]int{100: 200, 64 << 10: 431} {
		r.Header.Set("X-Long", strings.Repeat("x", size))
		answer, err := c.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		if answer.StatusCode != want {
			t.Errorf("a header of %d bytes: %d, want %d", size, answer.StatusCode, want)
		}
	}
	conn, err := net.Dial("tcp", at)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := conn.Write([]byte("GET /healthz HTTP/1.1\r\nHost: ")); err != nil {
		t.Fatal(err)
	}
	_ = conn.SetReadDeadline(time.Now().Add(30 * time.Second))
	if _, err := io.Copy(io.Discard, conn); err != nil { // ended by the server, not by our deadline
		t.Errorf("a header that does not end: %v", err)
	}
}
