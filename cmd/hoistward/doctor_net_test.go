package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"hoistward/configs"
	"hoistward/ingest/record"
)

// authorityOf writes ca.crt, and server.crt with server.key for this machine, which end
// at a time.
func authorityOf(t *testing.T, dir string, ends time.Time) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	write := func(name, kind string, der []byte) {
		must(os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
	}
	caKey, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(err)
	ca := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "authority of " + filepath.Base(dir)}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().AddDate(5, 0, 0), KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, ca, ca, &caKey.PublicKey, caKey)
	must(err)
	write("ca.crt", "CERTIFICATE", der)
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(err)
	leaf := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "broker"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: ca.NotBefore, NotAfter: ends, KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	der, err = x509.CreateCertificate(rand.Reader, leaf, ca, &key.PublicKey, caKey)
	must(err)
	write("server.crt", "CERTIFICATE", der)
	text, err := x509.MarshalPKCS8PrivateKey(key)
	must(err)
	write("server.key", "PRIVATE KEY", text)
}

// rewritten puts something else into a site file.
func rewritten(t *testing.T, site, old, new string) {
	t.Helper()
	text := readFile(t, site)
	if !strings.Contains(text, old) {
		t.Fatalf("no %q in %s", old, text)
	}
	if err := os.WriteFile(site, []byte(strings.Replace(text, old, new, 1)), 0o644); err != nil {
		t.Fatal(err)
	}
}

// does tells whether a row of that name and state says what to do in such words.
func does(rows []finding, what, state, do string) bool {
	for _, r := range rows {
		if r.What == what && r.State == state && strings.Contains(r.Do, do) {
			return true
		}
	}
	return false
}

// An encrypted broker that is not ours: with its authority it is subscribed to, and its
// certificate that ends soon is said; with another authority the reason is said, and what
// to do, by the doctor and by the running monitor.
func TestDoctorOfEncryptedBrokers(t *testing.T) {
	dir := t.TempDir()
	own, other := filepath.Join(dir, "own"), filepath.Join(dir, "other")
	for _, d := range []string{own, other} {
		if err := os.Mkdir(d, 0o755); err != nil {
			t.Fatal(err)
		}
		authorityOf(t, d, time.Now().Add(10*24*time.Hour))
	}
	port := startMosquitto(t, "cafile "+filepath.Join(own, "ca.crt"), "certfile "+filepath.Join(own, "server.crt"), "keyfile "+filepath.Join(own, "server.key"), "user root", "")
	site := siteFile(t, dir, port)
	rewritten(t, site, "broker: tcp:", "ca_file: own/ca.crt\n    broker: ssl:")
	code, rows := examined(t, site)
	if code != exitGood || !row(rows, "source field", rowOK, "subscribed") || !row(rows, "source field authority", rowOK, "authority of own") {
		t.Errorf("with its own authority: exit %d, %+v", code, rows)
	}
	if !row(rows, "source field broker's certificate", rowLook, `"broker" ends on `) || !does(rows, "source field broker's certificate", rowLook, "get a new one before that") {
		t.Errorf("a certificate that ends in ten days: %+v", rows)
	}
	rewritten(t, site, "own/ca.crt", "other/ca.crt")
	code, rows = examined(t, site)
	if code != exitFailed || !row(rows, "source field encryption", rowWrong, "unknown authority") || !does(rows, "source field encryption", rowWrong, "certificates of broker and authority") {
		t.Errorf("with another authority: exit %d, %+v", code, rows)
	}
	if !row(rows, "source field", rowWrong, "unknown authority") || !does(rows, "source field", rowWrong, "certificates are right") {
		t.Errorf("the subscription with another authority: %+v", rows)
	}
}

// Whoever the broker's access list keeps from the readings is told so, with the topic.
func TestDoctorOfARefusedSubscription(t *testing.T) {
	dir := t.TempDir()
	b := startBroker(t, dir, func(o *server.Options) {
		o.Users = []*server.User{{Username: "rig", Password: "p", Permissions: &server.Permissions{
			Subscribe: &server.SubjectPermission{Deny: []string{"hoist.>"}},
		}}}
	})
	t.Cleanup(func() { _ = b.Stop(t.Context()) })
	password := filepath.Join(dir, "password")
	if err := os.WriteFile(password, []byte("p\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	site := siteFile(t, dir, portOf(t, b.URL()))
	rewritten(t, site, "    topic:", "    user: rig\n    password_file: password\n    topic:")
	code, rows := examined(t, site)
	if code != exitFailed || !row(rows, "source field", rowWrong, `"hoist/+/readings"`) || !does(rows, "source field", rowWrong, "access list") {
		t.Errorf("a subscription that the broker refuses: exit %d, %+v", code, rows)
	}
	if err := os.WriteFile(password, []byte("another\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, rows = examined(t, site); code != exitFailed || !row(rows, "source field", rowWrong, "wrong user or password") || !does(rows, "source field", rowWrong, "user") {
		t.Errorf("a wrong password: exit %d, %+v", code, rows)
	}
	if err := os.Chmod(password, 0o644); err != nil {
		t.Fatal(err)
	}
	if code, rows = examined(t, site); code != exitUsage || !row(rows, "configuration", rowWrong, "0644") {
		t.Errorf("a password that all may read: exit %d, %+v", code, rows)
	}
}

// What the doctor makes of a disk and a clock: each figure, and what is to be done.
func TestDoctorJudgesDiskAndClock(t *testing.T) {
	for name, c := range map[string]struct {
		judge       func(x *examination)
		what, state string
		found, do   string
	}{
		"full":          {func(x *examination) { x.judgeRoom(record.LowSpace/10-1, true) }, "disk space", rowWrong, "GiB free", "make room"},
		"nearly full":   {func(x *examination) { x.judgeRoom(record.LowSpace-1, true) }, "disk space", rowLook, "GiB free", "recording.keep"},
		"room":          {func(x *examination) { x.judgeRoom(record.LowSpace, true) }, "disk space", rowOK, "GiB free", ""},
		"not known":     {func(x *examination) { x.judgeRoom(0, false) }, "disk space", rowLook, "not known", "look yourself"},
		"slow":          {func(x *examination) { x.judgeSpeed("/d", slowSync, slowSync, nil) }, "disk speed", rowLook, "100ms", "disk of its own"},
		"stalls":        {func(x *examination) { x.judgeSpeed("/d", time.Millisecond, worstSync, nil) }, "disk speed", rowLook, "1s", "disk of its own"},
		"fast":          {func(x *examination) { x.judgeSpeed("/d", time.Millisecond, 2*time.Millisecond, nil) }, "disk speed", rowOK, "1ms", ""},
		"cannot write":  {func(x *examination) { x.judgeSpeed("/d", 0, 0, errors.New("read-only file system")) }, "disk speed", rowWrong, "read-only", "/d"},
		"no time":       {func(x *examination) { x.judgeSync(false, true) }, "clock", rowLook, "nothing keeps it in step", "chrony"},
		"in step":       {func(x *examination) { x.judgeSync(true, true) }, "clock", rowOK, "kept in step", ""},
		"time unknown":  {func(x *examination) { x.judgeSync(false, false) }, "clock", rowLook, "not known", "NTP"},
		"no folder":     {func(x *examination) { x.site.Data = "/proc/version"; x.folder() }, "data folder", rowWrong, "no folder", "name a folder"},
		"cannot at all": {func(x *examination) { x.speed("/proc/self") }, "disk speed", rowWrong, "cannot be written", "let the monitor's user write"},
	} {
		x := &examination{ctx: t.Context(), site: &configs.Site{Data: t.TempDir()}, now: time.Now()}
		c.judge(x)
		if !row(x.rows, c.what, c.state, c.found) || !does(x.rows, c.what, c.state, c.do) {
			t.Errorf("%s: %+v, want %s %s with %q, do %q", name, x.rows, c.what, c.state, c.found, c.do)
		}
	}
}

// Accounts that others may read are found, with what to do.
func TestDoctorOfAccounts(t *testing.T) {
	dir := t.TempDir()
	site := siteFile(t, dir, freePort(t))
	data := filepath.Join(dir, "data")
	unpackFolder(t, data, false)
	x := &examination{ctx: t.Context(), site: &configs.Site{Data: data}, now: time.Now()}
	x.accounts()
	path := filepath.Join(data, accessDir, "accounts.json")
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	x.accounts()
	if len(x.rows) != 2 || x.rows[0].State != rowOK || !row(x.rows, "accounts", rowWrong, "0644") || !does(x.rows, "accounts", rowWrong, "chmod 600 "+path) {
		t.Errorf("%s: %+v", site, x.rows)
	}
}

// A certificate that ends is said where a person looks who is not called: the start page,
// /readyz and the metrics, by name; one that is good is a metric alone.
func TestCertificatesThatEndAreSaid(t *testing.T) {
	dir := t.TempDir()
	authorityOf(t, dir, time.Now().Add(10*24*time.Hour))
	site := siteFile(t, dir, freePort(t))
	soon, ended := invented(t, dir, "soon", time.Now().Add(10*24*time.Hour)), invented(t, dir, "ended", time.Now().Add(-24*time.Hour))
	if err := os.WriteFile(filepath.Join(dir, "secret"), []byte("an invented secret of this test"), 0o600); err != nil {
		t.Fatal(err)
	}
	text := readFile(t, site)
	text = strings.Replace(text, "broker: tcp:", "ca_file: ca.crt\n    broker: ssl:", 1) + fmt.Sprintf(`notify:
  webhooks:
    - {name: one, url: 'https://127.0.0.1:%d/a', secret_file: secret, ca_file: %s}
    - {name: two, url: 'https://127.0.0.1:%d/a', secret_file: secret, ca_file: %s}
`, freePort(t), soon, freePort(t), ended)
	if err := os.WriteFile(site, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	address, out, stop := runMonitor(t, site)
	for path, want := range map[string][]string{
		"/":        {"To be seen to", "The authority of webhook one ends on ", ", in 9 days: put a new one", "The authority of webhook two ended on "},
		"/readyz":  {`"certificates":["The authority of webhook one ends on `},
		"/metrics": {`hoistward_certificate_end_seconds{kind="authority",of="source field"}`, `hoistward_certificate_end_seconds{kind="authority",of="webhook two"}`},
	} {
		r, err := http.Get(address + path)
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r.Body)
		r.Body.Close()
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range want {
			if !strings.Contains(string(b), w) {
				t.Errorf("%s: no %q in %s", path, w, b)
			}
		}
		if path != "/metrics" && strings.Contains(string(b), "source field ends") {
			t.Errorf("%s speaks of a certificate that is good for years: %s", path, b)
		}
	}
	if code := stop(); code != exitGood {
		t.Errorf("exit %d: %s", code, out)
	}
}
