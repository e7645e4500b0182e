package main

import (
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"hoistward/configs"
	"hoistward/dashboard"
)

// certFile is a file of certificates that a site names.
type certFile struct {
	name string // of the site file: "page", "source field"
	kind string // "certificate", "authority"
	path string
}

// certFiles lists them, the page's first. A group's and an account's are not among them.
func certFiles(site *configs.Site) (all []certFile) {
	add := func(name, kind, path string) {
		if path != "" {
			all = append(all, certFile{name, kind, path})
		}
	}
	add("page", "certificate", site.Page.CertificateFile)
	for i := range site.Sources {
		s := &site.Sources[i]
		add("source "+s.Name, "authority", s.CAFile)
		add("source "+s.Name, "certificate", s.CertificateFile)
	}
	if b := site.Notify.Broker; b != nil {
		add("alarms' broker", "authority", b.CAFile)
		add("alarms' broker", "certificate", b.CertificateFile)
	}
	for _, w := range site.Notify.Webhooks {
		add("webhook "+w.Name, "authority", w.CAFile)
	}
	if h := site.Forward; h != nil {
		add("historian", "authority", h.CAFile)
	}
	return all
}

// errNoCertificate is of a file without any.
var errNoCertificate = errors.New("holds no certificate (PEM)")

// readCertificates reads all certificates of a PEM file, one at least.
func readCertificates(path string) (all []*x509.Certificate, err error) {
	rest, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	for {
		var block *pem.Block
		if block, rest = pem.Decode(rest); block == nil {
			break
		}
		if block.Type != "CERTIFICATE" {
			continue
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		all = append(all, c)
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%s %w", path, errNoCertificate)
	}
	return all, nil
}

// certLook is the time between two looks at the files.
const certLook = time.Minute

// certWatch looks at the files of certificates that a site names: one that ends takes
// the page, a source or what alarms go out by with it. It is safe for many goroutines.
type certWatch struct {
	files []certFile

	mu     sync.Mutex
	looked time.Time
	ends   []time.Time // by file, the earliest in it; zero = it cannot be read
	errs   []error
}

func newCertWatch(site *configs.Site) *certWatch {
	files := certFiles(site)
	return &certWatch{files: files, ends: make([]time.Time, len(files)), errs: make([]error, len(files))}
}

// look reads the files when the last look is a minute ago, or the clock was set. The
// caller holds mu.
func (w *certWatch) look(now time.Time) {
	if d := now.Sub(w.looked); d >= 0 && d < certLook && !w.looked.IsZero() {
		return
	}
	w.looked = now
	for i, f := range w.files {
		all, err := readCertificates(f.path)
		w.ends[i], w.errs[i] = time.Time{}, err
		for _, c := range all {
			if w.ends[i].IsZero() || c.NotAfter.Before(w.ends[i]) {
				w.ends[i] = c.NotAfter
			}
		}
	}
}

// each tells of each file that can be read when its first certificate ends.
func (w *certWatch) each(now time.Time, tell func(f certFile, ends time.Time)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.look(now)
	for i, f := range w.files {
		if w.errs[i] == nil {
			tell(f, w.ends[i])
		}
	}
}

// words are what a person is to see to, the earliest in the site file's order; never nil.
func (w *certWatch) words(now time.Time) []string {
	out := []string{}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.look(now)
	for i, f := range w.files {
		what := fmt.Sprintf("The %s of %s", f.kind, f.name)
		if f.name == "page" {
			what = "This page's certificate"
		}
		until := w.ends[i].UTC().Format(time.DateOnly)
		switch left := w.ends[i].Sub(now); {
		case w.errs[i] != nil:
			out = append(out, what+" cannot be read.")
		case left <= 0:
			out = append(out, fmt.Sprintf("%s ended on %s: put a new one in its place.", what, until))
		case left <= dashboard.ExpiryWarning:
			n := int(left / (24 * time.Hour))
			out = append(out, fmt.Sprintf("%s ends on %s, in %d %s: put a new one in its place.", what, until, n, plural(n, "day", "days")))
		}
	}
	return out
}
