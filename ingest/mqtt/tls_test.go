package mqtt

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// authority signs certificates for one test.
type authority struct {
	t    *testing.T
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) *authority {
	a := &authority{t: t, dir: t.TempDir()}
	a.cert, a.key = a.sign("ca", &x509.Certificate{IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign})
	return a
}

func (a *authority) file(name string) string { return filepath.Join(a.dir, name) }

// sign writes name.crt and name.key.
func (a *authority) sign(name string, c *x509.Certificate) (*x509.Certificate, *ecdsa.PrivateKey) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	a.must(err)
	c.SerialNumber, _ = rand.Int(rand.Reader, big.NewInt(1<<62))
	c.Subject = pkix.Name{CommonName: name}
	c.NotBefore, c.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	parent, signer := a.cert, a.key
	if parent == nil {
		parent, signer = c, key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, signer)
	a.must(err)
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	a.must(err)
	a.write(name+".crt", "CERTIFICATE", der)
	a.write(name+".key", "PRIVATE KEY", raw)
	made, err := x509.ParseCertificate(der)
	a.must(err)
	return made, key
}

func (a *authority) write(name, kind string, der []byte) {
	a.must(os.WriteFile(a.file(name), pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
}

func (a *authority) writeText(name, text string) {
	a.must(os.WriteFile(a.file(name), []byte(text), 0o600))
}

func (a *authority) must(err error) {
	a.t.Helper()
	if err != nil {
		a.t.Fatal(err)
	}
}

func TestEncryptedLinkWithCertificatesOfBothSides(t *testing.T) {
	a := newAuthority(t)
	a.sign("server", &x509.Certificate{IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}})
	a.sign("client", &x509.Certificate{ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}})
	b := mosquitto(t, "cafile "+a.file("ca.crt"), "certfile "+a.file("server.crt"), "keyfile "+a.file("server.key"),
		"require_certificate true", fmt.Sprintf("user %s", "root"))
	url := strings.Replace(b.url(), "tcp", "ssl", 1)

	good := open(t, url, func(o *Options) {
		o.CAFile, o.CertFile, o.KeyFile = a.file("ca.crt"), a.file("client.crt"), a.file("client.key")
	})
	good.reaches(t, Subscribed)
	if err := good.Publish(topicA, 1, false, []byte("x")); err != nil {
		t.Error(err)
	}
	good.take(t)

	for name, change := range map[string]func(*Options){
		"unknown authority": func(o *Options) { o.CertFile, o.KeyFile = a.file("client.crt"), a.file("client.key") },
		"no certificate":    func(o *Options) { o.CAFile = a.file("ca.crt") },
	} {
		w := open(t, url, change)
		within(t, 10*time.Second, name+" is told", func() bool { return w.Status().Detail != "" })
		if s := w.Status(); s.State != NeverConnected || w.count(Connected) > 0 {
			t.Errorf("%s: got %v, want never connected", name, s)
		}
	}
}

// A broker that knows its readers by their certificates may grant a subscription and
// then let nothing of it through: mosquitto checks the right to read at each message.
// The topic is named as silent while the other goes on.
func TestTopicGrantedButHeldBackIsNamed(t *testing.T) {
	a := newAuthority(t)
	a.sign("server", &x509.Certificate{IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}})
	a.sign("cabin", &x509.Certificate{ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}})
	a.sign("plant", &x509.Certificate{ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}})
	a.writeText("acl", "user cabin\ntopic read hoist/+/readings\nuser plant\ntopic write hoist/#\n")
	b := mosquitto(t, "cafile "+a.file("ca.crt"), "certfile "+a.file("server.crt"), "keyfile "+a.file("server.key"),
		"require_certificate true", "use_identity_as_username true", "acl_file "+a.file("acl"), "user root")
	w := open(t, strings.Replace(b.url(), "tcp", "ssl", 1), func(o *Options) {
		o.CAFile, o.CertFile, o.KeyFile = a.file("ca.crt"), a.file("cabin.crt"), a.file("cabin.key")
		o.Topics = []Topic{{Pattern: "hoist/{rig}/readings", QuietAfter: time.Second}, {Pattern: "hoist/{rig}/pressure", QuietAfter: time.Second}}
		o.QuietAfter = time.Second
	})
	w.reaches(t, Subscribed)
	pub := tool(t, "mosquitto_pub")
	send := func(topic string) {
		out, err := exec.Command(pub, "-h", "127.0.0.1", "-p", fmt.Sprint(b.port), "--cafile", a.file("ca.crt"), "--cert", a.file("plant.crt"),
			"--key", a.file("plant.key"), "-t", topic, "-q", "1", "-m", "1").CombinedOutput()
		if err != nil {
			t.Fatalf("mosquitto_pub: %v: %s", err, out)
		}
	}
	within(t, 15*time.Second, "the silent topic is named", func() bool {
		send("hoist/R1/readings")
		send("hoist/R1/pressure")
		s := w.Status()
		return s.State == Subscribed && s.Detail == `no live data on "hoist/{rig}/pressure"`
	})
	if n := w.Stats(); n.Received == 0 {
		t.Error("nothing came on the topic that may be read")
	}
}
