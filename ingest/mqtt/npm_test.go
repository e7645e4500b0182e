package mqtt

import (
	"crypto/x509"
	"fmt"
	"net"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"hoistward/ingest"
	"hoistward/ingest/npmtest"
)

// A publisher that nobody here wrote, npm's mqtt, with a certificate of its own on an
// encrypted mosquitto that asks for one, and whose rights go by it: its readings become
// frames with the numbers that it sent. Without a certificate it gets nowhere.
func TestAnIndependentPublisherWithItsCertificateIsRead(t *testing.T) {
	script := npmtest.Folder(t, filepath.Join("..", "sparkplug", "testdata", "npm"), "publish.js")
	a := newAuthority(t)
	a.sign("server", &x509.Certificate{IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}})
	for _, name := range []string{"cabin", "plant"} {
		a.sign(name, &x509.Certificate{ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}})
	}
	a.writeText("acl", "user cabin\ntopic read hoist/+/readings\nuser plant\ntopic write hoist/A7/readings\n")
	b := mosquitto(t, "cafile "+a.file("ca.crt"), "certfile "+a.file("server.crt"), "keyfile "+a.file("server.key"),
		"require_certificate true", "use_identity_as_username true", "acl_file "+a.file("acl"), "user root")
	w := open(t, strings.Replace(b.url(), "tcp", "ssl", 1), func(o *Options) {
		o.CAFile, o.CertFile, o.KeyFile = a.file("ca.crt"), a.file("cabin.crt"), a.file("cabin.key")
	})
	w.reaches(t, Subscribed)

	const n = 50
	publish := func(topic string, certificate ...string) ([]byte, error) {
		args := append([]string{"publish.js", strings.Replace(b.url(), "tcp", "mqtts", 1), topic, a.file("ca.crt")}, certificate...)
		cmd := exec.CommandContext(t.Context(), npmtest.Node(t), args...)
		cmd.Dir = script
		begun := time.Now()
		var text strings.Builder
		for i := range n {
			fmt.Fprintln(&text, reading(begun.Add(time.Duration(i)*100*time.Millisecond-n*100*time.Millisecond), 1471e3+float64(i)))
		}
		cmd.Stdin = strings.NewReader(text.String())
		return cmd.CombinedOutput()
	}
	if out, err := publish("hoist/A7/readings", a.file("plant.crt"), a.file("plant.key")); err != nil || !strings.Contains(string(out), fmt.Sprintf("published %d\n", n)) {
		t.Fatalf("%v: %s", err, out)
	}
	m := newMonitor(t, w)
	for i := range n {
		m.step(t)
		if m.frames != i+1 || m.gather.Last().Values[ingest.HookLoad].Value.V != 1471e3+float64(i) {
			t.Fatalf("after %d messages %d frames and %v, %v", i+1, m.frames, m.gather.Last().Values[ingest.HookLoad], m.counters.Snapshot())
		}
	}
	if out, err := publish("hoist/A7/readings"); err == nil || strings.Contains(string(out), "published") {
		t.Errorf("without a certificate: got %s, want no link", out)
	}
	if out, err := publish("hoist/B2/readings", a.file("plant.crt"), a.file("plant.key")); err != nil {
		t.Errorf("a topic it may not write: %v: %s", err, out)
	}
	if n, _ := w.queue.state(); n != 0 || w.Stats().Received != 50 {
		t.Errorf("%d messages received, want those of the topic that it may write", w.Stats().Received)
	}
}
