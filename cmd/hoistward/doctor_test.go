package main

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// examined runs the doctor and returns its rows.
func examined(t *testing.T, site string) (int, []finding) {
	t.Helper()
	var out, errs bytes.Buffer
	code := run([]string{"doctor", "--config", site, "--json", "--wait", "2s"}, &streams{ctx: t.Context(), out: &out, err: &errs})
	var report struct{ Rows []finding }
	if err := json.Unmarshal(out.Bytes(), &report); err != nil {
		t.Fatalf("%v: %s %s", err, &out, &errs)
	}
	for _, r := range report.Rows {
		if r.State != rowOK && r.Do == "" {
			t.Errorf("%+v does not say what to do", r)
		}
	}
	return code, report.Rows
}

func row(rows []finding, what, state, found string) bool {
	for _, r := range rows {
		if r.What == what && r.State == state && strings.Contains(r.Found, found) {
			return true
		}
	}
	return false
}

// invented makes a certificate with its key that ends at a time.
func invented(t *testing.T, dir, name string, ends time.Time) string {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, NotBefore: ends.Add(-365 * 24 * time.Hour), NotAfter: ends, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, name+".pem")
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// A site that is well: every row is ok, or says what to look at, and the exit code is 0.
func TestDoctorOfAWellSite(t *testing.T) {
	dir := t.TempDir()
	b := startBroker(t, dir)
	t.Cleanup(func() { _ = b.Stop(t.Context()) })
	code, rows := examined(t, siteFile(t, dir, portOf(t, b.URL())))
	if code != exitGood {
		t.Errorf("exit %d: %+v", code, rows)
	}
	for _, want := range [][2]string{{"configuration", "site test, 1 rig, 1 source"}, {"source field", "subscribed"}, {"disk speed", "median"}, {"dashboard", "is free"}} {
		if !row(rows, want[0], rowOK, want[1]) {
			t.Errorf("no row %v in %+v", want, rows)
		}
	}
}

// Each thing that is wrong has a row that says so.
func TestDoctorFindsWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	site := siteFile(t, dir, freePort(t))
	data := filepath.Join(dir, "data")
	if err := os.MkdirAll(filepath.Join(data, stateDir), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(data, 0o777); err != nil {
		t.Fatal(err)
	}
	ahead := time.Now().UTC().Add(3 * time.Hour).Format("2006-01-02T15:04:05.000Z")
	files := map[string]string{
		filepath.Join(data, journalFile):         fmt.Sprintf(`{"time":%q,"rig":"R1","alarm":"overload","event":"raised","state":"unacknowledged","priority":"high","reason":"","value":null,"limit":null,"unit":"","occurrence":1,"version":1}`+"\n", ahead),
		filepath.Join(data, stateDir, "R1.json"): `{"form":99}`,
		filepath.Join(dir, "shore.secret"):       "an invented secret of this test",
	}
	for path, text := range files {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	ended, soon := invented(t, dir, "ended", time.Now().Add(-time.Hour)), invented(t, dir, "soon", time.Now().Add(10*24*time.Hour))
	text := strings.Replace(readFile(t, site), "listen: 127.0.0.1:0", "listen: "+taken.Addr().String(), 1)
	text += fmt.Sprintf("notify:\n  webhooks:\n    - {name: one, url: 'https://127.0.0.1:%d/a', secret_file: shore.secret, ca_file: %s}\n    - {name: two, url: 'https://127.0.0.1:%d/a', secret_file: shore.secret, ca_file: %s}\n",
		freePort(t), ended, freePort(t), soon)
	if err := os.WriteFile(site, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	code, rows := examined(t, site)
	if code != exitFailed {
		t.Errorf("exit %d, want %d", code, exitFailed)
	}
	for _, want := range [][3]string{
		{"source field", rowWrong, "never connected"},
		{"data folder", rowWrong, "written by everybody"},
		{"dashboard", rowWrong, "cannot be listened on"},
		{"clock", rowWrong, "jumped back by 3h0m0s"},
		{"alarm state", rowWrong, "R1.json"},
		{"webhook one authority", rowWrong, `"ended" ended on`},
		{"webhook two authority", rowLook, "in 9 days"},
		{"webhook one", rowWrong, "cannot be reached"},
	} {
		if !row(rows, want[0], want[1], want[2]) {
			t.Errorf("no row %v in %+v", want, rows)
		}
	}
	if err := os.WriteFile(site, []byte(text+"nonsense: 1\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if code, rows := examined(t, site); code != exitUsage || !row(rows, "configuration", rowWrong, "nonsense") {
		t.Errorf("a mistake in the file: exit %d, %+v", code, rows)
	}
}
