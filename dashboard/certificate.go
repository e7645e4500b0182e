package dashboard

import (
	"crypto/tls"
	"errors"
	"fmt"
	"os"
	"runtime"
	"sync"
	"time"
)

// ExpiryWarning is how long before its end a certificate is spoken of.
const ExpiryWarning = 30 * 24 * time.Hour

const certificateLook = 5 * time.Second // between looks at the files

// Certificate is the server's certificate and key, from two files (PEM). When the files
// change they are read again; a pair that is not right leaves the one before in force.
// It is safe for many goroutines.
type Certificate struct {
	certFile, keyFile string

	mu      sync.Mutex
	pair    *tls.Certificate
	stamps  [2]time.Time
	looked  time.Time
	trouble error
}

// OpenCertificate reads the pair. A key file that others on the machine may read is an
// error, as is a pair that does not belong together.
func OpenCertificate(certFile, keyFile string) (*Certificate, error) {
	c := &Certificate{certFile: certFile, keyFile: keyFile}
	stamps, err := c.stat()
	if err != nil {
		return nil, err
	}
	if c.pair, err = c.load(); err != nil {
		return nil, err
	}
	c.stamps = stamps
	return c, nil
}

func (c *Certificate) stat() (stamps [2]time.Time, err error) {
	for i, name := range []string{c.certFile, c.keyFile} {
		info, err := os.Stat(name)
		if err != nil {
			return stamps, fmt.Errorf("certificate: %w", err)
		}
		stamps[i] = info.ModTime()
	}
	return stamps, nil
}

func (c *Certificate) load() (*tls.Certificate, error) {
	info, err := os.Stat(c.keyFile)
	if err != nil {
		return nil, fmt.Errorf("certificate: %w", err)
	}
	if mode := info.Mode().Perm(); mode&0o027 != 0 && runtime.GOOS != "windows" {
		return nil, fmt.Errorf("certificate: %s: got mode %04o, which others may use, want 0600 (chmod 600)", c.keyFile, mode)
	}
	pair, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		return nil, fmt.Errorf("certificate: %s and %s: %w", c.certFile, c.keyFile, err)
	}
	if pair.Leaf == nil {
		return nil, errors.New("certificate: " + c.certFile + ": got none that can be read")
	}
	return &pair, nil
}

// look reads the files again when they have changed.
func (c *Certificate) look(now time.Time) {
	if d := now.Sub(c.looked); d >= 0 && d < certificateLook {
		return
	}
	c.looked = now
	stamps, err := c.stat()
	if err != nil {
		c.trouble = err
		return
	}
	if stamps == c.stamps {
		c.trouble = nil
		return
	}
	// A key written a moment after its certificate: both are tried again at the next look.
	pair, err := c.load()
	if err != nil {
		c.trouble = err
		return
	}
	c.pair, c.stamps, c.trouble = pair, stamps, nil
}

// CertificateStatus is what /healthz says of the certificate.
type CertificateStatus struct {
	State   string `json:"state"` // good, expires_soon, expired, not_yet_valid
	From    string `json:"from"`  // RFC 3339 UTC
	To      string `json:"to"`
	Days    int    `json:"days_left"`         // whole ones; negative = since so many
	Trouble string `json:"trouble,omitempty"` // why newer files are not in force
}

// Status looks at the files and says how the certificate in force stands at that time.
func (c *Certificate) Status(now time.Time) CertificateStatus {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.look(now)
	leaf := c.pair.Leaf
	s := CertificateStatus{State: certificateState(leaf.NotBefore, leaf.NotAfter, now), From: leaf.NotBefore.UTC().Format(time.RFC3339),
		To: leaf.NotAfter.UTC().Format(time.RFC3339), Days: days(leaf.NotAfter.Sub(now))}
	if c.trouble != nil {
		s.Trouble = c.trouble.Error()
	}
	return s
}

func certificateState(from, to, now time.Time) string {
	switch {
	case !now.Before(to):
		return "expired"
	case now.Before(from):
		return "not_yet_valid"
	case to.Sub(now) <= ExpiryWarning:
		return "expires_soon"
	}
	return "good"
}

func days(d time.Duration) int {
	n := d / (24 * time.Hour)
	if d < 0 && d%(24*time.Hour) != 0 {
		n--
	}
	return int(n)
}

// Words are what a person is told of the certificate, empty = nothing.
func (s CertificateStatus) Words() string {
	words := ""
	switch s.State {
	case "expired":
		words = "the page's certificate expired on " + s.To + ": browsers refuse the page"
	case "not_yet_valid":
		words = "the page's certificate is valid only from " + s.From + ", or this machine's clock is wrong"
	case "expires_soon":
		words = fmt.Sprintf("the page's certificate expires in %d days, on %s", s.Days, s.To)
	}
	if s.Trouble != "" {
		if words != "" {
			words += "; "
		}
		words += "newer certificate files are not in force: " + s.Trouble
	}
	return words
}

// config is TLS 1.2 at the least, with the library's choice of suites, and HTTP/1.1: the
// pages' sockets need it.
func (c *Certificate) config() *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS12,
		NextProtos: []string{"http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
			c.mu.Lock()
			defer c.mu.Unlock()
			c.look(time.Now())
			return c.pair, nil
		},
	}
}
