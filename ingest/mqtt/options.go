package mqtt

import (
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
)

// StandardQueueLen is how many messages wait between network and reader where Options
// say nothing: 1.6 s of 10,000 a second, half an hour of a rig at 10 Hz.
const StandardQueueLen = 16384

// Options says how to reach a broker and what to take from it. Zero values take
// the defaults given here.
type Options struct {
	Name   string // of the source in logs and counters; default: Broker
	Broker string // "tcp://host:1883", "ssl://host:8883", "ws://…", "wss://…"
	// ClientID must differ from that of every other client of the broker, or the
	// two throw each other off for ever. Default: a random one.
	ClientID     string
	User         string
	PasswordFile string // holds the password in its first line
	CAFile       string // PEM, of who signed the broker's certificate; default: the system's
	CertFile     string // PEM, of this client, with KeyFile
	KeyFile      string
	Topics       []Topic  // to read, no two of which can name the same; at least one topic or filter
	Filters      []string // to read besides, as MQTT writes them; which rig a message is of, its reader must know
	QoS          byte

	QuietAfter     time.Duration // without live data on any topic: state Quiet; default 10 s
	QueueLen       int           // messages between network and reader; default StandardQueueLen
	QueueBytes     int           // of their payloads; default 32 MiB
	MaxPayload     int           // bytes; a larger one is counted, not delivered; default 1 MiB
	KeepAlive      time.Duration // whole seconds, at least 2 s; default 10 s
	ConnectTimeout time.Duration // of one attempt; default 5 s
	WriteTimeout   time.Duration // default 5 s
	PublishTimeout time.Duration // longest wait in Publish; default 5 s
	RetryMin       time.Duration // pause before the first new attempt; default 500 ms
	RetryMax       time.Duration // longest pause; default 10 s

	// Presence, if there is one, gives what each new link tells others of this client.
	Presence func(now time.Time) Presence

	// OnStatus is told every change, in order, from one goroutine. It must return
	// soon and must not call Close.
	OnStatus func(Status)
	Log      *zap.Logger
	Now      func() time.Time // default time.Now
}

// Topic is one kind of topic to read.
type Topic struct {
	Pattern    string        // with {rig} where the rig's name stands: "hoist/{rig}/readings"
	QuietAfter time.Duration // without live data on it: said in the detail; default Options.QuietAfter
}

// Topics returns a topic for each pattern.
func Topics(patterns ...string) []Topic {
	out := make([]Topic, len(patterns))
	for i, p := range patterns {
		out[i].Pattern = p
	}
	return out
}

func orDefault[T comparable](v *T, d T) {
	var zero T
	if *v == zero {
		*v = d
	}
}

func (o *Options) defaults() {
	orDefault(&o.ClientID, "hoistward-"+strings.ToLower(rand.Text()[:12])) // 22 of the 23 bytes that every broker takes
	orDefault(&o.QuietAfter, 10*time.Second)
	o.Topics = slices.Clone(o.Topics)
	for i := range o.Topics {
		orDefault(&o.Topics[i].QuietAfter, o.QuietAfter)
	}
	orDefault(&o.QueueLen, StandardQueueLen)
	orDefault(&o.QueueBytes, 32<<20)
	orDefault(&o.MaxPayload, 1<<20)
	orDefault(&o.KeepAlive, 10*time.Second)
	orDefault(&o.ConnectTimeout, 5*time.Second)
	orDefault(&o.WriteTimeout, 5*time.Second)
	orDefault(&o.PublishTimeout, 5*time.Second)
	orDefault(&o.RetryMin, 500*time.Millisecond)
	orDefault(&o.RetryMax, 10*time.Second)
	if o.OnStatus == nil {
		o.OnStatus = func(Status) {}
	}
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
}

var plainSchemes, secureSchemes = []string{"tcp", "mqtt", "ws"}, []string{"ssl", "tls", "mqtts", "wss"}

// address checks the broker's address and tells whether the link is encrypted.
func (o *Options) address() (secure bool, err error) {
	u, err := url.Parse(o.Broker)
	switch {
	case err != nil:
		return false, fmt.Errorf("broker: got an address that cannot be read (%w), want one such as \"tcp://host:1883\"", errors.Unwrap(err))
	case u.User != nil:
		return false, errors.New("broker: got a user in the address, want it in user and password_file")
	case u.Hostname() == "" || u.Port() == "":
		return false, fmt.Errorf("broker: got %q, want host and port, such as \"tcp://host:1883\"", o.Broker)
	}
	secure = slices.Contains(secureSchemes, u.Scheme)
	if !secure && !slices.Contains(plainSchemes, u.Scheme) {
		return false, fmt.Errorf("broker: got the scheme %q, want one of %v", u.Scheme, slices.Concat(plainSchemes, secureSchemes))
	}
	if !secure && o.CAFile+o.CertFile+o.KeyFile != "" {
		return false, fmt.Errorf("broker: got certificates with %q, want an encrypted scheme such as \"ssl\"", o.Broker)
	}
	return secure, nil
}

func (o *Options) password() (string, error) {
	if o.PasswordFile == "" {
		return "", nil
	}
	b, err := os.ReadFile(o.PasswordFile)
	if err != nil {
		return "", fmt.Errorf("password file: %w", err)
	}
	line, _, _ := strings.Cut(string(b), "\n")
	if line = strings.TrimSuffix(line, "\r"); line == "" {
		return "", fmt.Errorf("password file %s: got an empty first line, want the password", o.PasswordFile)
	}
	return line, nil
}

func (o *Options) tls() (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if o.CAFile != "" {
		pem, err := os.ReadFile(o.CAFile)
		if err != nil {
			return nil, fmt.Errorf("CA file: %w", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("CA file %s: got no certificate, want PEM", o.CAFile)
		}
	}
	if o.CertFile != "" || o.KeyFile != "" {
		pair, err := tls.LoadX509KeyPair(o.CertFile, o.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("client certificate: %w", err)
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}

func (o *Options) limits() error {
	switch {
	case o.QoS > 2:
		return fmt.Errorf("qos: got %d, want 0, 1 or 2", o.QoS)
	case o.QueueLen < 1 || o.QueueBytes < 1 || o.MaxPayload < 1:
		return fmt.Errorf("queue: got %d messages of %d bytes, at most %d each, want positive numbers", o.QueueLen, o.QueueBytes, o.MaxPayload)
	case o.KeepAlive < 2*time.Second || o.KeepAlive%time.Second != 0:
		return fmt.Errorf("keep alive: got %v, want whole seconds, 2 s at least", o.KeepAlive)
	case o.RetryMin <= 0 || o.RetryMax < o.RetryMin:
		return fmt.Errorf("retry: got %v to %v, want rising positive durations", o.RetryMin, o.RetryMax)
	case o.QuietAfter <= 0 || o.ConnectTimeout <= 0 || o.WriteTimeout <= 0 || o.PublishTimeout <= 0:
		return errors.New("timeouts: got one that is not positive, want positive durations")
	case o.User == "" && o.PasswordFile != "":
		return errors.New("user: got nothing with a password file, want the user's name")
	}
	for _, t := range o.Topics {
		if t.QuietAfter <= 0 {
			return fmt.Errorf("topic %q: got %v before it is quiet, want a positive duration", t.Pattern, t.QuietAfter)
		}
	}
	return nil
}
