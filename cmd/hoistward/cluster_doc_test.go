package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats.go"

	"hoistward/ingest/jetstream"
	"hoistward/simulator"
)

// documented returns the blocks of a kind out of CLUSTER.md.
func documented(t *testing.T, kind string) []string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "ingest", "jetstream", "CLUSTER.md"))
	if err != nil {
		t.Fatal(err)
	}
	var blocks []string
	for _, m := range regexp.MustCompile("(?s)```"+kind+"\n(.*?)```").FindAllStringSubmatch(string(text), -1) {
		blocks = append(blocks, m[1])
	}
	return blocks
}

// certificates writes an authority and one certificate of this machine, for all servers.
func certificates(t *testing.T, dir string) *x509.CertPool {
	t.Helper()
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	write := func(name, kind string, der []byte) {
		check(os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
	}
	caKey, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	check(err)
	ca := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, ca, ca, &caKey.PublicKey, caKey)
	check(err)
	write("ca.crt", "CERTIFICATE", der)
	root, err := x509.ParseCertificate(der)
	check(err)
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	check(err)
	leaf := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "server"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: ca.NotBefore, NotAfter: ca.NotAfter, KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}
	der, err = x509.CreateCertificate(rand.Reader, leaf, root, &key.PublicKey, caKey)
	check(err)
	write("server.crt", "CERTIFICATE", der)
	text, err := x509.MarshalPKCS8PrivateKey(key)
	check(err)
	write("server.key", "PRIVATE KEY", text)
	pool := x509.NewCertPool()
	pool.AddCert(root)
	return pool
}

// The files of CLUSTER.md run: servers with passwords and TLS, a monitor that may do what
// it must, a rig that may send its own readings alone, and a rig with a server of its own.
func TestTheClusterOfTheDocument(t *testing.T) {
	if testing.Short() {
		t.Skip("short: it runs servers for a minute")
	}
	g := &groupRun{t: t, dir: t.TempDir()}
	pool := certificates(t, g.dir)
	ports := freePortsOf(t, 14)
	at := func(i int) string { return fmt.Sprintf("127.0.0.1:%d", ports[i]) }
	conf, sites := documented(t, "conf"), documented(t, "yaml")
	if len(conf) != 2 || len(sites) != 1 {
		t.Fatalf("%d server files and %d site files in the document", len(conf), len(sites))
	}
	write := func(name, text string) string {
		path := filepath.Join(g.dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	names := []string{"east", "west", "south"}
	common := []string{"/etc/hoistward", g.dir}
	for i, n := range names { // clients, routes, MQTT, leaves: three ports each
		common = append(common, n+".centre.example:4222", at(i), n+".centre.example:6222", at(3+i), n+".centre.example:7422", at(9+i))
	}
	env := []string{"MEMBER_PASSWORD=member-secret", "R1_PASSWORD=rig-secret", "RIDGE_PASSWORD=ridge-secret"}
	for i, n := range names {
		own := append([]string{"server_name: east", "server_name: " + n, "0.0.0.0:4222", at(i), "0.0.0.0:6222", at(3 + i),
			"0.0.0.0:8883", at(6 + i), "0.0.0.0:7422", at(9 + i), "/var/lib/hoistward-servers", filepath.Join(g.dir, n)}, common...)
		g.servers = append(g.servers, g.start(env, "server", write(n+".conf", strings.NewReplacer(own...).Replace(conf[0]))))
	}
	own := append([]string{"127.0.0.1:4222", at(12), "127.0.0.1:1883", at(13), "ridge:PASSWORD@", "ridge:ridge-secret@",
		"/var/lib/hoistward-servers", filepath.Join(g.dir, "ridge")}, common...)
	ridge := g.start(nil, "server", write("ridge.conf", strings.NewReplacer(own...).Replace(conf[1])))
	for _, i := range []int{6, 7, 8, 13} {
		if err := reach(t.Context(), "tcp://"+at(i)); err != nil {
			t.Fatalf("%v\n%s\n%s", err, g.servers[0].out, ridge.out)
		}
	}
	if made := g.start(nil, "leaf", "--server", "nats://"+at(12)); made.ended(t) != exitGood {
		t.Fatalf("leaf: %s", made.out)
	}
	write("member.password", "member-secret\n")
	sc, err := simulator.LoadScenario("overhoist")
	if err != nil {
		t.Fatal(err)
	}
	rigs, err := (&demoCmd{Rigs: 3}).rigFiles(g.dir, sc)
	if err != nil {
		t.Fatal(err)
	}
	site := "site: centre\nlisten: 127.0.0.1:0\ndata: ./data\n" + strings.NewReplacer(common...).Replace(sites[0]) + rigs + sourceText("ssl://"+at(6), sc)
	m := g.start(nil, "monitor", "--proven", "--config", write("centre.yaml", site))
	g.members = append(g.members, m)
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the member says\n%s\na server says\n%s\nthe rig's server says\n%s", tail(m.out.String(), 2000), tail(g.servers[0].out.String(), 2000), tail(ridge.out.String(), 2000))
		}
	})
	within(t, time.Minute, "the member has all", func() bool { return len(m.held()) == jetstream.Partitions })

	text := func() string {
		return fmt.Sprintf(`{"t":%q,"hook_load":300,"block_height":20,"drum_speed":0,"drum_counts":4096,"brake_pressure":7}`, time.Now().UTC().Format("2006-01-02T15:04:05.000Z"))
	}
	client := func(url, user, password string) paho.Client {
		c := paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID("c" + user).SetUsername(user).SetPassword(password).SetTLSConfig(&tls.Config{RootCAs: pool}))
		if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
			t.Fatalf("%s as %q: %v", url, user, tok.Error())
		}
		t.Cleanup(func() { c.Disconnect(100) })
		return c
	}
	rig, onRidge := client("ssl://"+at(7), "R1", "rig-secret"), client("tcp://"+at(13), "", "")
	within(t, time.Minute, "R1 is watched, and R3 through its own server", func() bool {
		rig.Publish("hoist/R1/readings", 1, false, text()).WaitTimeout(5 * time.Second)
		rig.Publish("hoist/R2/readings", 1, false, text()).WaitTimeout(5 * time.Second) // is not R1's to send
		onRidge.Publish("hoist/R3/readings", 1, false, text()).WaitTimeout(5 * time.Second)
		return m.newestOf("R1") > 0 && m.newestOf("R3") > 0
	})
	if m.newestOf("R2") > 0 {
		t.Error("R1 could send for R2")
	}
	for _, wrong := range [][2]string{{"member", "guess"}, {"R1", "rig-secret"}} { // the rig's user is for MQTT alone
		nc, err := nats.Connect("tls://"+at(0), nats.UserInfo(wrong[0], wrong[1]), nats.Secure(&tls.Config{RootCAs: pool}))
		if err == nil {
			nc.Close()
			t.Errorf("the servers let %s in with %s", wrong[0], wrong[1])
		}
	}
	if strings.Contains(m.out.String(), "ermissions") {
		t.Errorf("the member may not do what it must:\n%s", m.out)
	}
}

func freePortsOf(t *testing.T, n int) (ports []int) {
	t.Helper()
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		ports = append(ports, l.Addr().(*net.TCPAddr).Port)
	}
	return ports
}
