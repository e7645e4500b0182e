package main

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms"
	"hoistward/configs"
	"hoistward/dashboard/access"
	"hoistward/ingest/record"
)

// The data folder that this program wrote, kept: testdata/versions, each file as it was,
// gzip where it is SQLite's. It is written anew by
//
//	HOISTWARD_WRITE_VERSIONS=1 go test ./cmd/hoistward -run TestEveryFileHasARow
//
// which is for a new version of a file, beside those before it, not for mending a test.
const (
	keptFolder    = "testdata/versions"
	writeVersions = "HOISTWARD_WRITE_VERSIONS"
	keptPassword  = "a block between two limits"
)

// everythingSite is a site whose monitor writes every kind of file, and servers that
// refuse some of what they get. broker may be of a port where nobody is.
func everythingSite(t *testing.T, dir string, port int) string {
	t.Helper()
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, "this receiver takes nothing", http.StatusBadRequest)
	}))
	t.Cleanup(hook.Close)
	shore := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		z, err := gzip.NewReader(r.Body)
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		if text, _ := io.ReadAll(z); bytes.Contains(text, []byte("alarm,")) {
			http.Error(w, "this server takes no alarms", http.StatusUnprocessableEntity)
			return
		}
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(shore.Close)
	if err := os.WriteFile(filepath.Join(dir, "secret"), []byte("an invented secret of this test"), 0o600); err != nil {
		t.Fatal(err)
	}
	path := siteFile(t, dir, port)
	text := readFile(t, path) + fmt.Sprintf("notify:\n  webhooks:\n    - {name: shore, url: '%s/alarms', secret_file: secret}\nhistorian: {url: '%s', bucket: hoist, interval: 100 ms}\n", hook.URL, shore.URL)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// mustRun runs a command that must succeed.
func mustRun(t *testing.T, args ...string) {
	t.Helper()
	var out bytes.Buffer
	if code := run(args, &streams{ctx: t.Context(), out: &out, err: &out}); code != exitGood {
		t.Fatalf("%v: exit %d: %s", args, code, &out)
	}
}

// liveEverything runs the monitor of everythingSite until it has written every kind.
func liveEverything(t *testing.T) (data string) {
	t.Helper()
	dir := t.TempDir()
	l := &liveRun{t: t, dir: filepath.Join(dir, "data")}
	l.broker = startBroker(t, dir)
	l.undo.add("broker", l.broker.Stop)
	site, err := configs.LoadSite(everythingSite(t, dir, portOf(t, l.broker.URL())))
	if err != nil {
		t.Fatal(err)
	}
	l.site = site
	l.st = &station{site: site, clock: monotone(time.Now(), 1), log: zap.NewNop()}
	if err := l.st.start(&l.undo); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.stop)
	s := newSender(t, l.broker.URL())
	defer s.c.Disconnect(0)
	h := 36.0
	until(t, "an alarm", func() bool {
		h += 0.05
		s.send("R1", fmt.Sprintf(`{"t":%q,"hook_load":66.1,"block_height":%.3f,"drum_speed":60,"brake_pressure":0}`, stamp(0), h/0.3048))
		return strings.Contains(l.journal(), `"event":"raised"`)
	})
	if code, text := l.post("/api/rigs/R1/acts", `{"do":"crown_saver_test","person":"A. Example","work":{"passed":true,"trip_height_m":38,"run_on_m":0.6,"speed_mps":0.5}}`); code != http.StatusOK {
		t.Fatalf("the test was not entered: %d %s", code, text)
	}
	password := filepath.Join(dir, "password")
	if err := os.WriteFile(password, []byte(keptPassword+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	mustRun(t, "user", "add", "A. Example", "--role", "manage", "--data", l.dir, "--password-file", password)
	until(t, "the person to be let in", func() bool {
		code, _ := l.post("/api/session", fmt.Sprintf(`{"person":"A. Example","password":%q}`, keptPassword))
		return code == http.StatusOK
	})
	if err := (&pairing{st: l.st}).keep("b", 3); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"notify/shore.refused.jsonl", "historian/refused.jsonl"} {
		until(t, name, func() bool { _, err := os.Stat(filepath.Join(l.dir, name)); return err == nil })
	}
	l.stop()
	mustRun(t, "hold", l.dir, "--from", "2026-07-01T00:00:00Z", "--to", "2026-07-02T00:00:00Z", "--reason", "an invented incident")
	return l.dir
}

// filesIn lists the files of a folder, with slashes.
func filesIn(t *testing.T, dir string) (names []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			names = append(names, filepath.ToSlash(relative(dir, path)))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// Whatever a monitor leaves in its folder has a row, and of all rows that have a version
// there is a file that says it.
func TestEveryFileHasARow(t *testing.T) {
	data := liveEverything(t)
	seen := map[string]bool{}
	for _, name := range filesIn(t, data) {
		k, ok := kindOf(name)
		if !ok {
			t.Errorf("%s has no row in keptFiles", name)
			continue
		}
		seen[k.Path] = true
		if k.Where == byHeader || k.Where == byVersion || k.Where == byForm {
			if got := versionIn(filepath.Join(data, name), &k); got != k.Version {
				t.Errorf("%s: got version %d in it, want %d", name, got, k.Version)
			}
		}
	}
	forms, err := readForms(data)
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range keptFiles {
		if k.Where == byFolder && forms.Lists[k.Path] != k.Version {
			t.Errorf("%s: %s says version %d, want %d", k.Path, formsFile, forms.Lists[k.Path], k.Version)
		}
		// What is moved away when it is large, a demo's, and the spool of many rigs are not made here.
		if !seen[k.Path] && k.Path != "notify/*.before.jsonl" && k.Path != "truth/*.csv" && k.Path != "recordings/.spool/*.spool" {
			t.Errorf("%s: no file of the kind was written", k.Path)
		}
	}
	if os.Getenv(writeVersions) != "" {
		keepFolder(t, data)
	}
}

// keepFolder writes testdata/versions anew.
func keepFolder(t *testing.T, data string) {
	t.Helper()
	for _, name := range filesIn(t, data) {
		if strings.HasSuffix(name, ".lock") {
			continue
		}
		b, err := os.ReadFile(filepath.Join(data, name))
		if err != nil {
			t.Fatal(err)
		}
		to := filepath.Join(keptFolder, filepath.FromSlash(name))
		if strings.HasSuffix(name, ".sqlite") {
			var z bytes.Buffer
			w, _ := gzip.NewWriterLevel(&z, gzip.BestCompression) // a level that there is
			_, err := w.Write(b)
			if err := errors.Join(err, w.Close()); err != nil {
				t.Fatal(err)
			}
			b, to = z.Bytes(), to+".gz"
		}
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// unpackFolder puts testdata/versions into a folder, as a monitor finds it. The recording
// gets the name of today, where today is true.
func unpackFolder(t *testing.T, data string, today bool) {
	t.Helper()
	for _, name := range filesIn(t, keptFolder) {
		if name == "README.md" {
			continue
		}
		b, err := os.ReadFile(filepath.Join(keptFolder, name))
		if err != nil {
			t.Fatal(err)
		}
		if plain, packed := strings.CutSuffix(name, ".gz"); packed {
			name = plain
			z, err := gzip.NewReader(bytes.NewReader(b))
			if err != nil {
				t.Fatal(err)
			}
			if b, err = io.ReadAll(z); err != nil {
				t.Fatal(err)
			}
		}
		if today && strings.HasPrefix(name, "recordings/R1/") {
			name = "recordings/R1/" + filepath.Base(record.Path("", "R1", time.Now()))
		}
		to := filepath.Join(data, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// The folder as it was kept: a monitor goes on with it, and puts nothing aside.
func TestTheKeptFolderIsGoneOnWith(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	site := everythingSite(t, dir, freePort(t))
	unpackFolder(t, data, true)
	before := readFile(t, filepath.Join(data, journalFile))
	lines := 0
	for line := range strings.Lines(before) {
		e, err := alarms.ParseEvent([]byte(line))
		if err != nil || string(alarms.AppendJSON(nil, &e))+"\n" != line {
			t.Errorf("%v: the line of the journal is not what this program writes: %s", err, line)
		}
		lines++
	}
	saved, err := alarms.UnmarshalState([]byte(readFile(t, filepath.Join(data, stateDir, "R1.json"))))
	if err != nil || lines == 0 || saved.Service.CrownSaver.By != "A. Example" {
		t.Fatalf("%v: %d lines, state %+v; want a crown saver tested by A. Example", err, lines, saved.Service)
	}
	address, out, stop := runMonitor(t, site)
	l := &liveRun{t: t, st: &station{address: address}, dir: data}
	if code, text := l.post("/api/session", fmt.Sprintf(`{"person":"A. Example","password":%q}`, keptPassword)); code != http.StatusOK {
		t.Errorf("the kept account: %d %s", code, text)
	}
	recording := record.Path(filepath.Join(data, recordingsDir), "R1", time.Now())
	begun := 0
	for _, err := range record.Read(recording) {
		if err != nil {
			t.Fatal(err)
		}
		begun++
	}
	if code := stop(); code != exitGood {
		t.Errorf("exit %d: %s", code, out)
	}
	n := 0
	for _, err := range record.Read(recording) {
		if n++; err != nil {
			t.Error(err)
		}
	}
	if n <= begun/2 || n < 10 {
		t.Errorf("%d entries in the kept recording that was gone on with", n)
	}
	for _, name := range filesIn(t, data) {
		for _, ending := range []string{".damaged-", ".newer-"} {
			if strings.Contains(name, ending) {
				t.Errorf("%s was set aside", name)
			}
		}
	}
	if !strings.HasPrefix(readFile(t, filepath.Join(data, journalFile)), before) {
		t.Error("the kept journal was not gone on with")
	}
	var holds bytes.Buffer
	if code := run([]string{"hold", data}, &streams{ctx: t.Context(), out: &holds, err: &holds}); code != exitGood || !strings.Contains(holds.String(), "an invented incident") {
		t.Errorf("holds: exit %d: %s", code, &holds)
	}
	accounts, err := access.ReadAccounts(filepath.Join(data, accessDir, access.AccountsFile))
	if err != nil || accounts.Len() != 1 {
		t.Errorf("accounts: %v", err)
	}
}

// keptTable is the table of keptFiles as it stands in FILES.md.
func keptTable() string {
	var b strings.Builder
	b.WriteString("| file | form | version | known by | who reads it | an older version | a newer version |\n|---|---|---|---|---|---|---|\n")
	for _, k := range keptFiles {
		version := fmt.Sprint(k.Version)
		if k.Version == 0 {
			version = ""
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s | %s | %s |\n", k.Path, k.Form, version, k.Where, k.Reader, k.Older, k.Newer)
	}
	return b.String()
}

// The table in FILES.md is keptFiles.
func TestTheTableOfVersionsIsWritten(t *testing.T) {
	if !strings.Contains(readFile(t, "../../configs/FILES.md"), keptTable()) {
		t.Errorf("configs/FILES.md, versions of files: want the table\n%s", keptTable())
	}
}
