package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"hoistward/alarms"
)

// Webhook is a receiver of events over HTTP.
type Webhook struct {
	Name       string
	URL        string // https, or http to this machine
	SecretFile string // its first line is the key of the signature; nobody else may use it
	CAFile     string // PEM, of who signed the receiver's certificate; empty = the system's
	Least      alarms.Priority
	Rigs       []string      // empty = all
	Timeout    time.Duration // of one attempt
}

// Headers of a request. The signature is "v1=" and, in hex, the HMAC-SHA256 (RFC 2104)
// with the secret as key over the timestamp's digits, a full stop and the body.
const (
	TimestampHeader = "Hoistward-Timestamp" // s since 1970, of the attempt
	SignatureHeader = "Hoistward-Signature"
)

// Sign returns the value of SignatureHeader.
func Sign(secret []byte, timestamp string, body []byte) string {
	m := hmac.New(sha256.New, secret)
	m.Write([]byte(timestamp + "."))
	m.Write(body)
	return "v1=" + hex.EncodeToString(m.Sum(nil))
}

const (
	mostEvents = 100       // in one request
	mostBytes  = 256 << 10 // of them
	firstPause = time.Second
	mostPause  = 5 * time.Minute
	mostAsked  = time.Hour // of a Retry-After that is followed
	leastKey   = 16        // bytes of a secret
)

// webhook is the way to one receiver.
type webhook struct {
	o      *Options
	w      Webhook
	box    *outbox
	secret []byte
	client *http.Client
	events chan struct{}
	first  time.Duration // pause after the first failure
	condition
}

func newWebhook(o *Options, w Webhook) (*webhook, error) {
	d := &webhook{o: o, w: w, condition: newCondition(), events: make(chan struct{}, 1), first: firstPause}
	fail := func(err error) (*webhook, error) { return nil, fmt.Errorf("webhook %s: %w", w.Name, err) }
	u, err := url.Parse(w.URL)
	switch {
	case err != nil:
		return fail(errors.New("url: got an address that cannot be read, want one such as \"https://host/path\"")) // its text may hold a secret
	case u.Scheme != "https" && !(u.Scheme == "http" && loopback(u.Hostname())):
		return fail(fmt.Errorf("url: got %q, want https, or http to this machine", u.Scheme+"://"+u.Host))
	}
	if d.secret, err = readSecret(w.SecretFile); err != nil {
		return fail(err)
	}
	transport, err := w.transport()
	if err != nil {
		return fail(err)
	}
	d.client = &http.Client{Transport: transport, Timeout: w.Timeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	if d.box, err = openOutbox(o, w.Name); err != nil {
		return fail(err)
	}
	return d, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func readSecret(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("secret file: %w", err)
	}
	if mode := info.Mode().Perm(); mode&0o027 != 0 {
		return nil, fmt.Errorf("secret file %s: got mode %04o, want 0600: only the monitor may read it", path, mode)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("secret file: %w", err)
	}
	line, _, _ := bytes.Cut(b, []byte("\n"))
	if line = bytes.TrimSuffix(line, []byte("\r")); len(line) < leastKey {
		return nil, fmt.Errorf("secret file %s: got %d bytes in its first line, want %d at least", path, len(line), leastKey)
	}
	return line, nil
}

func (w *Webhook) transport() (*http.Transport, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if w.CAFile != "" {
		pem, err := os.ReadFile(w.CAFile)
		if err != nil {
			return nil, fmt.Errorf("CA file: %w", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("CA file %s: got no certificate, want PEM", w.CAFile)
		}
	}
	return &http.Transport{
		Proxy: http.ProxyFromEnvironment, TLSClientConfig: c, ForceAttemptHTTP2: true,
		DialContext:         (&net.Dialer{Timeout: w.Timeout}).DialContext,
		TLSHandshakeTimeout: w.Timeout, ResponseHeaderTimeout: w.Timeout, IdleConnTimeout: time.Minute,
		MaxIdleConns: 2, MaxIdleConnsPerHost: 2, MaxResponseHeaderBytes: 64 << 10, DisableCompression: true,
	}, nil
}

// batch is what one request carries.
type batch struct {
	after  int64
	last   record // the newest that was looked at, sent or not
	events []record
	ids    []string // of what the pair's other member told; then the batch is of that alone
	n      tally    // of those that are not sent
}

// wants tells whether an event is of a rig and a priority that the receiver gets. One
// that eased is sent whatever its priority is now: it was above.
func (w *Webhook) wants(e *alarms.Event) bool {
	if len(w.Rigs) > 0 && !slices.Contains(w.Rigs, e.Rig) {
		return false
	}
	return e.Priority >= w.Least || e.Event == alarms.EventEased
}

// gather reads the next batch of at most so many events; false = there is nothing yet.
func (d *webhook) gather(most int) (batch, bool, error) {
	d.box.rewind()
	if b, any := d.forwards(most); any {
		return b, true, nil
	}
	p, _ := d.box.at(0)
	b := batch{after: p.Seq}
	found, size := false, 0
	for len(b.events) < most && size < mostBytes {
		r, ok, err := d.box.next()
		if err != nil {
			return b, false, err
		}
		if !ok || found && r.journal != b.last.journal {
			break
		}
		found, b.last = true, r
		switch {
		case r.skip:
		case r.old:
			b.n.passed++
		case d.w.wants(&r.event):
			b.events = append(b.events, r)
			size += len(r.line)
		}
	}
	return b, found, nil
}

// forwards is the next batch of what the pair's other member told and did not deliver;
// false = there is none.
func (d *webhook) forwards(most int) (batch, bool) {
	var b batch
	size := 0
	for _, r := range d.box.due(most) {
		if len(b.ids) > 0 && r.journal != b.last.journal || size >= mostBytes {
			break
		}
		if len(b.ids) == 0 {
			b.after = r.after
		}
		b.last, b.ids = r, append(b.ids, r.id)
		switch {
		case r.old:
			b.n.passed++
		case d.w.wants(&r.event):
			b.events = append(b.events, r)
			size += len(r.line)
		}
	}
	return b, len(b.ids) > 0
}

// done takes that a batch is dealt with.
func (d *webhook) done(b *batch) {
	if len(b.ids) > 0 {
		d.box.forwarded(b.ids, b.n)
		return
	}
	d.box.done(&b.last, b.n)
}

// request is the body of a request.
type request struct {
	Site    string            `json:"site"`
	Member  string            `json:"member,omitempty"` // of a pair, the one that speaks
	Journal string            `json:"journal"`
	After   int64             `json:"after"` // the numbers from here on …
	Seq     int64             `json:"seq"`   // … to here are dealt with by this request
	Passed  uint64            `json:"passed_over"`
	Events  []json.RawMessage `json:"events"`
}

func (d *webhook) body(b *batch) ([]byte, error) {
	p, _ := d.box.at(0)
	r := request{Site: d.o.Site, Member: d.box.member(), Journal: b.last.journal, After: b.after, Seq: b.last.seq, Passed: p.PassedOver + b.n.passed}
	for i := range b.events {
		r.Events = append(r.Events, numbered(&b.events[i], d.box.member()))
	}
	return json.Marshal(r)
}

// run works until ctx ends.
func (d *webhook) run(ctx context.Context) {
	defer d.box.tail.close()
	defer func() { _ = d.box.save() }() // said by save
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	failures, most := 0, mostEvents
	for ctx.Err() == nil {
		b, found, err := d.gather(most)
		switch {
		case err != nil:
			d.result(err)
		case found && len(b.events) == 0:
			d.done(&b)
			continue
		case found:
			var answer verdict
			answer, err = d.attempt(ctx, &b)
			if ctx.Err() != nil {
				return
			}
			d.result(err)
			wait := d.settle(&b, answer, err, &failures, &most)
			pause(ctx, wait)
			continue
		}
		select {
		case <-ctx.Done():
		case <-d.events:
		case <-look.C:
			_ = d.box.save() // said by save
		}
	}
}

// settle takes the outcome of an attempt and returns how long to wait.
func (d *webhook) settle(b *batch, answer verdict, err error, failures, most *int) time.Duration {
	switch {
	case err == nil:
		b.n.sent += uint64(len(b.events))
		d.done(b)
		_ = d.box.save() // said by save
		*failures, *most = 0, min(2**most, mostEvents)
		return 0
	case answer.refused && len(b.events) > 1: // which of them, shows with fewer
		*most = len(b.events) / 2
		return 0
	case answer.refused:
		if aside := d.setAside(b, err); aside != nil {
			d.become(Failing, aside.Error())
			break
		}
		b.n.aside++
		d.done(b)
		_ = d.box.save() // said by save
		*failures, *most = 0, mostEvents
		return d.first // a receiver that refuses all is not asked faster than this
	}
	*failures++
	wait := backOff(d.first, *failures)
	return max(wait, answer.after)
}

// backOff returns the pause after so many failures in a row: it doubles up to five
// minutes, and each pause is drawn from its upper half, so that many do not come back
// as one.
func backOff(first time.Duration, failures int) time.Duration {
	d := first
	for i := 1; i < failures && d < mostPause; i++ {
		d *= 2
	}
	d = min(d, mostPause)
	return d/2 + rand.N(d/2+1)
}

// mostAside bounds the file of what was refused, 8 MiB; the one before it is kept too.
const mostAside = 8 << 20

// setAside keeps an event that the receiver refuses, with the receiver's words.
func (d *webhook) setAside(b *batch, why error) error {
	path := filepath.Join(d.o.Dir, d.w.Name+".refused.jsonl")
	line, err := json.Marshal(struct {
		At    string          `json:"at"`
		Why   string          `json:"why"`
		Event json.RawMessage `json:"event"`
	}{time.Now().UTC().Format(timeForm), why.Error(), numbered(&b.events[0], d.box.member())})
	if err != nil {
		return err
	}
	if st, err := os.Stat(path); err == nil && st.Size() > mostAside {
		if err := os.Rename(path, strings.TrimSuffix(path, ".jsonl")+".before.jsonl"); err != nil {
			return err
		}
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(append(line, '\n'))
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

func (d *webhook) wake() { nudge(d.events) }

func (d *webhook) status(length int64) Status {
	s := Status{Name: d.w.Name, Kind: "webhook", Damaged: d.box.tail.damaged.Load()}
	p, behind := d.box.at(length)
	s.Seq, s.Behind, s.Sent, s.SetAside, s.PassedOver = p.Seq, behind, p.Sent, p.SetAside, p.PassedOver
	d.condition.fill(&s)
	return s
}
