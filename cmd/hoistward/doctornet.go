package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"go.uber.org/zap"

	"hoistward/configs"
	"hoistward/dashboard"
	"hoistward/ingest/mqtt"
)

// ports looks whether the dashboard's address is free, or the monitor's own.
func (x *examination) ports() {
	x.running = x.answers()
	if x.running {
		x.ok("dashboard", "a monitor answers on %s", x.site.Listen)
		return
	}
	x.free("dashboard", x.site.Listen)
	for i := range x.site.Sources {
		if w := x.site.Sources[i].WITS; w != nil && w.Listen != "" {
			x.free("source "+x.site.Sources[i].Name, w.Listen)
		}
	}
}

func (x *examination) free(what, address string) {
	ln, err := net.Listen("tcp", address)
	if err != nil {
		x.wrong(what, "stop what uses the port, or name another", "%s cannot be listened on: %s", address, oneLine(err))
		return
	}
	ln.Close()
	x.ok(what, "%s is free", address)
}

// answers tells whether a monitor answers on the dashboard's address.
func (x *examination) answers() bool {
	scheme := "http"
	c := &http.Client{Timeout: x.wait}
	if x.site.Page.CertificateFile != "" {
		scheme = "https"
		c.Transport = &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}} // #nosec: only whether it is there
	}
	r, err := c.Get(scheme + "://" + x.site.Listen + "/healthz")
	if err != nil {
		return false
	}
	defer r.Body.Close()
	return r.StatusCode == http.StatusOK && strings.Contains(r.Header.Get("Content-Type"), "json")
}

// brokers connects to each broker as a client of its own name and subscribes as the
// monitor does.
func (x *examination) brokers() {
	for i := range x.site.Sources {
		s := &x.site.Sources[i]
		switch {
		case s.Kind == "mqtt":
			x.broker(s)
		case s.WITS != nil && s.WITS.Connect != "" && x.running:
			x.ok("source "+s.Name, "%s is not tried: the monitor that runs has it", s.WITS.Connect)
		case s.WITS != nil && s.WITS.Connect != "":
			x.dial("source "+s.Name, s.WITS.Connect)
		}
	}
	if b := x.site.Notify.Broker; b != nil {
		o := brokerOptions(b)
		o.Filters = []string{"hoistward/doctor"}
		x.subscribe("alarms' broker", b.Broker, o)
	}
}

func (x *examination) broker(s *configs.Source) {
	o := mqttOptions(s, feedOptions{log: zap.NewNop(), clock: time.Now, told: func(feedStatus) {}, visitor: true})
	x.subscribe("source "+s.Name, s.Broker, o)
}

func (x *examination) subscribe(what, broker string, o mqtt.Options) {
	o.ClientID, o.Presence = "", nil // the monitor that runs is not put out
	o.ConnectTimeout = x.wait
	client, err := mqtt.New(o)
	if err != nil {
		x.wrong(what, "mend the site file or the file that it names", "%s", oneLine(err))
		return
	}
	client.Start()
	defer client.Close(context.Background())
	end := time.Now().Add(x.wait)
	for ; time.Now().Before(end) && x.ctx.Err() == nil; time.Sleep(20 * time.Millisecond) {
		switch s := client.Status(); {
		case s.State == mqtt.Refused:
			x.wrong(what, "let this user read these topics in the broker's access list", "%s: %s", broker, s.Detail)
			return
		case s.State.Open():
			if s.Detail != "" {
				x.look(what, "give the user the QoS that the site file asks for", "%s: subscribed; %s", broker, s.Detail)
				return
			}
			// Some brokers grant a subscription and then let nothing of it through.
			x.ok(what, "%s: subscribed to what the monitor reads; whether it is let through, hoistward listen shows", broker)
			return
		}
	}
	x.wrong(what, "see that the broker runs, that the name, port, user and certificates are right, and that no firewall is between",
		"%s: %s", broker, client.Status())
}

func (x *examination) dial(what, address string) bool {
	c, err := net.DialTimeout("tcp", address, x.wait)
	if err != nil {
		x.wrong(what, "see that it runs, and that no firewall is between", "%s cannot be reached: %s", address, oneLine(err))
		return false
	}
	c.Close()
	x.ok(what, "%s can be reached", address)
	return true
}

// receivers looks whether webhooks and historian can be reached; nothing is sent.
func (x *examination) receivers() {
	for _, w := range x.site.Notify.Webhooks {
		x.reach("webhook "+w.Name, w.URL)
	}
	if h := x.site.Forward; h != nil {
		x.reach("historian", h.URL)
	}
}

func (x *examination) reach(what, address string) {
	u, err := url.Parse(address)
	if err != nil {
		x.wrong(what, "mend its url", "the address cannot be read")
		return
	}
	port := u.Port()
	if port == "" {
		port = map[string]string{"https": "443", "http": "80"}[u.Scheme]
	}
	x.dial(what, net.JoinHostPort(u.Hostname(), port))
}

// certificates looks at the ends of those that the site file names, and at the modes of
// their keys.
func (x *examination) certificates() {
	x.certificate("dashboard certificate", x.site.Page.CertificateFile)
	x.key("dashboard key", x.site.Page.KeyFile)
	look := func(s *configs.Source, what string) {
		x.certificate(what+" authority", s.CAFile)
		x.certificate(what+" certificate", s.CertificateFile)
		x.key(what+" key", s.KeyFile)
		x.key(what+" password", s.PasswordFile)
		x.served(what, s)
	}
	for i := range x.site.Sources {
		look(&x.site.Sources[i], "source "+x.site.Sources[i].Name)
	}
	if b := x.site.Notify.Broker; b != nil {
		look(b, "alarms' broker")
	}
	for _, w := range x.site.Notify.Webhooks {
		x.certificate("webhook "+w.Name+" authority", w.CAFile)
		x.key("webhook "+w.Name+" secret", w.SecretFile)
	}
	if h := x.site.Forward; h != nil {
		x.certificate("historian authority", h.CAFile)
		x.key("historian token", h.TokenFile)
		x.key("historian password", h.PasswordFile)
	}
}

func (x *examination) certificate(what, path string) {
	if path == "" {
		return
	}
	all, err := readCertificates(path)
	switch {
	case errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission):
		x.wrong(what, "see that the file is there and may be read", "%s", oneLine(err))
	case err != nil:
		x.wrong(what, "put a good certificate (PEM) in its place", "%s", oneLine(err))
	}
	for _, c := range all {
		x.expiry(what, c)
	}
}

func (x *examination) expiry(what string, c *x509.Certificate) {
	name := c.Subject.CommonName
	if name == "" && len(c.DNSNames) > 0 {
		name = c.DNSNames[0]
	}
	until := c.NotAfter.UTC().Format(time.DateOnly)
	switch {
	case x.now.After(c.NotAfter):
		x.wrong(what, "get a new one and start the monitor again", "%q ended on %s", name, until)
	case x.now.Before(c.NotBefore):
		x.wrong(what, "set this machine's clock, or get another", "%q begins on %s", name, c.NotBefore.UTC().Format(time.DateOnly))
	case c.NotAfter.Sub(x.now) < dashboard.ExpiryWarning:
		x.look(what, "get a new one before that", "%q ends on %s, in %d days", name, until, int(c.NotAfter.Sub(x.now).Hours()/24))
	default:
		x.ok(what, "%q is good until %s", name, until)
	}
}

// othersUse is what the mode of a key may not allow: anything to the rest of the
// machine, writing to the group.
const othersUse = 0o027

func (x *examination) key(what, path string) {
	if path == "" {
		return
	}
	info, err := os.Stat(path)
	if err != nil {
		x.wrong(what, "see that the file is there and may be read", "%s", oneLine(err))
		return
	}
	if mode := info.Mode().Perm(); mode&othersUse != 0 {
		x.wrong(what, fmt.Sprintf("chmod 600 %s", path), "%s may be used by others (mode %04o)", path, mode)
		return
	}
	x.ok(what, "%s is private (mode %04o)", path, info.Mode().Perm())
}

// served looks at the certificate that an encrypted broker shows.
func (x *examination) served(what string, s *configs.Source) {
	u, err := url.Parse(s.Broker)
	if err != nil || u.Scheme != "ssl" {
		return
	}
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: u.Hostname()}
	if s.CAFile != "" {
		text, err := os.ReadFile(s.CAFile)
		if err != nil {
			return // said of the file
		}
		c.RootCAs = x509.NewCertPool()
		c.RootCAs.AppendCertsFromPEM(text)
	}
	if s.CertificateFile != "" {
		pair, err := tls.LoadX509KeyPair(s.CertificateFile, s.KeyFile)
		if err != nil {
			x.wrong(what+" certificate", "put certificate and key that fit together in place", "%s", oneLine(err))
			return
		}
		c.Certificates = []tls.Certificate{pair}
	}
	link, err := tls.DialWithDialer(&net.Dialer{Timeout: x.wait}, "tcp", u.Host, c)
	if err != nil {
		x.wrong(what+" encryption", "see to the certificates of broker and authority, and to the broker's name", "%s: %s", u.Host, oneLine(err))
		return
	}
	defer link.Close()
	x.expiry(what+" broker's certificate", link.ConnectionState().PeerCertificates[0])
}
