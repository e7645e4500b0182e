package historian

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"strconv"
	"strings"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	influxlog "github.com/influxdata/influxdb-client-go/v2/log"
)

// poster sends lines.
type poster struct {
	o         *Options
	transport *http.Transport
	client    influxdb2.Client
	write     api.WriteAPIBlocking
	stale     bool // the secret was refused: read it again
}

func init() { influxlog.Log = nil } // it writes to standard error; what it says comes in errors too

func newPoster(o *Options) (*poster, error) {
	t := &http.Transport{
		Proxy:                 http.ProxyFromEnvironment,
		DialContext:           (&net.Dialer{Timeout: 10 * time.Second}).DialContext,
		TLSHandshakeTimeout:   10 * time.Second,
		ResponseHeaderTimeout: o.Timeout,
		MaxIdleConnsPerHost:   1,
		IdleConnTimeout:       90 * time.Second,
	}
	if o.CAFile != "" {
		pem, err := os.ReadFile(o.CAFile)
		if err != nil {
			return nil, err
		}
		roots := x509.NewCertPool()
		if !roots.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s: got no certificate, want PEM", o.CAFile)
		}
		t.TLSClientConfig = &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}
	}
	p := &poster{o: o, transport: t}
	hc := &http.Client{
		Transport: guard{t}, Timeout: o.Timeout,
		// A POST that is redirected becomes a GET, whose answer says nothing of the write.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	p.client = influxdb2.NewClientWithOptions(strings.TrimSuffix(o.URL, "/"), "", influxdb2.DefaultOptions().
		SetHTTPClient(hc).SetUseGZip(true).SetPrecision(time.Nanosecond).SetApplicationName("hoistward"))
	p.write = p.client.WriteAPIBlocking(o.Org, o.Bucket)
	if err := p.authorize(); err != nil {
		return nil, err
	}
	return p, nil
}

// authorize reads the token or the password.
func (p *poster) authorize() error {
	p.stale = false
	switch {
	case p.o.TokenFile != "":
		token, err := secret(p.o.TokenFile)
		if err != nil {
			return err
		}
		p.client.HTTPService().SetAuthorization("Token " + token)
	case p.o.User != "":
		password, err := secret(p.o.Password)
		if err != nil {
			return err
		}
		p.client.HTTPService().SetAuthorization("Basic " + base64.StdEncoding.EncodeToString([]byte(p.o.User+":"+password)))
	}
	return nil
}

func secret(path string) (string, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return "", err
	}
	return strings.TrimSpace(string(text)), nil
}

func (p *poster) close() {
	p.client.Close()
	p.transport.CloseIdleConnections()
}

// answerMost is how much of an answer is read, bytes.
const answerMost = 64 << 10

// guard bounds what is read of an answer, and takes none for a success that no
// historian gives to a write.
type guard struct{ next http.RoundTripper }

var errNoHistorian = errors.New("another program answers at this address")

func (g guard) RoundTrip(r *http.Request) (*http.Response, error) {
	resp, err := g.next.RoundTrip(r)
	if err != nil {
		return nil, err
	}
	if resp.StatusCode/100 == 2 && resp.StatusCode != http.StatusNoContent {
		resp.Body.Close()
		return nil, fmt.Errorf("%w: got status %s to a write, want 204", errNoHistorian, resp.Status)
	}
	resp.Body = struct {
		io.Reader
		io.Closer
	}{io.LimitReader(resp.Body, answerMost), resp.Body}
	return resp, nil
}

// trouble is a failure that is not the points' fault.
type trouble struct {
	words   string
	after   time.Duration // that the server asks to wait; 0 = it did not
	refused bool          // it answers and will not have anything, until somebody changes something
	err     error
}

func (t *trouble) Error() string { return t.words }
func (t *trouble) Unwrap() error { return t.err }

// verdict is what came of a request.
type verdict struct {
	trouble  *trouble
	tooLarge bool
	refused  bool   // some of the points were
	fault    bool   // the words name a fault of the points
	conflict bool   // of a field's type
	tooOld   bool   // or too new to be kept: whole points
	dropped  int    // how many, by the words; -1 = they do not say
	status   int    // HTTP
	words    string // the server's
}

// send posts lines.
func (p *poster) send(ctx context.Context, lines []string) verdict {
	if p.stale {
		if err := p.authorize(); err != nil {
			return verdict{trouble: &trouble{words: err.Error(), refused: true, err: err}}
		}
	}
	err := p.write.WriteRecord(ctx, lines...)
	v := judge(err, time.Now())
	p.stale = v.status == http.StatusUnauthorized || v.status == http.StatusForbidden
	return v
}

// judge says what an error of the write means.
func judge(err error, now time.Time) verdict {
	var e *influxhttp.Error
	if err == nil {
		return verdict{}
	}
	if !errors.As(err, &e) || e.StatusCode == 0 {
		return verdict{trouble: &trouble{words: "no answer from the historian: " + err.Error(), refused: errors.Is(err, errNoHistorian), err: err}}
	}
	v := verdict{status: e.StatusCode, words: words(e), dropped: -1}
	t := &trouble{after: retryAfter(e.Header, now), err: err}
	says := fmt.Sprintf("the historian answers %d %s: %s", e.StatusCode, http.StatusText(e.StatusCode), v.words)
	switch code := e.StatusCode; {
	case code == http.StatusRequestEntityTooLarge:
		v.tooLarge = true
		return v
	case code == http.StatusBadRequest || code == http.StatusUnprocessableEntity:
		v.refused = true
		v.readWords()
		return v
	case code == http.StatusUnauthorized:
		t.words, t.refused = says+" (the token or password is not accepted)", true
	case code == http.StatusForbidden:
		t.words, t.refused = says+" (the token may not write to this bucket)", true
	case code == http.StatusNotFound:
		t.words, t.refused = says+" (there is no such bucket or database, or the url is not the server's root)", true
	case code == http.StatusTooManyRequests:
		t.words = says + " (it takes no more for now)"
	case code >= 500 || code == http.StatusRequestTimeout || code == http.StatusTooEarly:
		t.words = says
	default:
		t.words, t.refused = says, true
	}
	v.trouble = t
	return v
}

// words returns what the server says, in one line.
func words(e *influxhttp.Error) string {
	text := e.Message
	if text == "" {
		text = e.Header.Get("X-Influxdb-Error")
	}
	if text == "" && e.Err != nil {
		text = e.Err.Error()
	}
	if text == "" {
		text = e.Code
	}
	text = strings.ToValidUTF8(strings.Join(strings.Fields(text), " "), "\uFFFD")
	const most = 500
	if len(text) > most {
		text = strings.ToValidUTF8(text[:most], "") + "..."
	}
	return text
}

// readWords looks for what the known servers say where a point is at fault:
// InfluxDB 1.8 "partial write: ... dropped=3", 2 "unprocessable entity ...", both
// "unable to parse"; VictoriaMetrics "cannot unmarshal/parse InfluxDB line".
func (v *verdict) readWords() {
	text := strings.ToLower(v.words)
	if i := strings.LastIndex(text, "dropped="); i >= 0 {
		digits := text[i+len("dropped="):]
		end := strings.IndexFunc(digits, func(r rune) bool { return r < '0' || r > '9' })
		if end < 0 {
			end = len(digits)
		}
		if n, err := strconv.Atoi(digits[:end]); err == nil {
			v.dropped = n
		}
	}
	v.conflict = strings.Contains(text, "field type conflict")
	v.tooOld = strings.Contains(text, "retention")
	v.fault = v.conflict || v.tooOld || v.status == http.StatusUnprocessableEntity
	for _, s := range []string{"partial write", "unable to parse", "cannot parse", "cannot unmarshal"} {
		v.fault = v.fault || strings.Contains(text, s)
	}
}

// longestAfter is the longest pause that a server may ask for.
const longestAfter = time.Hour

// retryAfter reads the header, seconds or a date (RFC 9110, section 10.2.3).
func retryAfter(h http.Header, now time.Time) time.Duration {
	text := strings.TrimSpace(h.Get("Retry-After"))
	if text == "" {
		return 0
	}
	var d time.Duration
	if s, err := strconv.ParseUint(text, 10, 32); err == nil {
		d = time.Duration(s) * time.Second
	} else if at, err := http.ParseTime(text); err == nil {
		d = at.Sub(now)
	}
	return min(max(0, d), longestAfter)
}

// jitter spreads pauses from three quarters of d to d, so that monitors that lost
// one server do not come back at one moment.
func jitter(d time.Duration) time.Duration {
	return d - time.Duration(rand.Int64N(int64(d)/4+1))
}
