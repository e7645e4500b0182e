package main

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
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

// makeNewer makes a file one of a version after this program's.
func makeNewer(t *testing.T, path string, k *keptFile) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	switch k.Where {
	case byHeader:
		binary.BigEndian.PutUint32(b[60:], uint32(k.Version+1))
	case byVersion, byForm:
		// What a newer program adds is not known here, and nothing else need be as it was.
		key := map[string]string{byVersion: "version", byForm: "form"}[k.Where]
		b = fmt.Appendf(nil, `{%q: %d, "of_a_later_day": [1, {"a": "b"}], "accounts": 7, "sessions": "x", "seen": []}`, key, k.Version+1)
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// fileOf returns a file of the kind in a folder.
func fileOf(t *testing.T, data string, k *keptFile) string {
	t.Helper()
	there, err := fs.Glob(os.DirFS(data), k.Path)
	if err != nil || len(there) == 0 {
		t.Fatalf("%s: %v, no file", k.Path, err)
	}
	return filepath.Join(data, filepath.FromSlash(there[0]))
}

// contents are the files of a folder that must not be changed.
func contents(t *testing.T, data string) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, name := range filesIn(t, data) {
		if !strings.HasSuffix(name, ".lock") {
			all[name] = readFile(t, filepath.Join(data, name))
		}
	}
	return all
}

// started runs a monitor that is to refuse, and returns how.
func started(t *testing.T, site string) (int, string) {
	t.Helper()
	var out syncBuffer
	code := run([]string{"monitor", "--config", site}, &streams{ctx: t.Context(), out: &out, err: &out})
	return code, out.String()
}

// A newer file that cannot be set aside stops the monitor with one message, and nothing
// in the folder is changed.
func TestANewerFileStopsTheMonitor(t *testing.T) {
	for _, k := range keptFiles {
		if !strings.HasPrefix(k.Newer, refuses) || k.Path == "notify/*.before.jsonl" {
			continue
		}
		t.Run(strings.NewReplacer("/", "_", "*", "x").Replace(k.Path), func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "rig [7] *") // no pattern
			if err := os.Mkdir(dir, 0o755); err != nil {
				t.Fatal(err)
			}
			data := filepath.Join(dir, "data")
			site := everythingSite(t, dir, freePort(t))
			unpackFolder(t, data, true)
			path := fileOf(t, data, &k)
			if k.Where == byFolder {
				f := formsKept{Version: formsVersion(), Software: "hoistward 9.0.0", Lists: map[string]int{k.Path: k.Version + 1}}
				text, _ := json.Marshal(f)
				if err := os.WriteFile(filepath.Join(data, formsFile), text, 0o600); err != nil {
					t.Fatal(err)
				}
			} else {
				makeNewer(t, path, &k)
			}
			before := contents(t, data)
			code, said := started(t, site)
			want := regexp.MustCompile(regexp.QuoteMeta(filepath.Base(path)) + `\S*: (version: )?got (version |form )?` + fmt.Sprint(k.Version+1) + `\b.* want ` + fmt.Sprint(k.Version) + `\b`)
			if code == exitGood || !want.MatchString(said) || strings.Count(said, "got ") != 1 {
				t.Errorf("exit %d, want another and one message with %s: %s", code, want, said)
			}
			if code != exitUsage {
				t.Errorf("exit %d, want %d: systemd would try it again for ever", code, exitUsage)
			}
			after := contents(t, data)
			for name, text := range before {
				if after[name] != text && name != formsFile {
					t.Errorf("%s was changed", name)
				}
			}
			newer, _, err := newerFiles(data) // as the doctor asks
			if err != nil || len(newer) != 1 || !strings.Contains(newer[0].Error(), filepath.Base(path)) {
				t.Errorf("%v: the doctor finds %v, want %s", err, newer, filepath.Base(path))
			}
		})
	}
}

// Newer files that the watch can do without are set aside as they are, all at once, and
// the monitor runs.
func TestANewerFileIsSetAside(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	site := everythingSite(t, dir, freePort(t))
	unpackFolder(t, data, true)
	aside := map[string]string{} // contents by name
	for _, k := range keptFiles {
		if !strings.HasPrefix(k.Newer, setsAside) {
			continue
		}
		path := fileOf(t, data, &k)
		makeNewer(t, path, &k)
		aside[filepath.ToSlash(relative(data, path))] = readFile(t, path)
	}
	if len(aside) != 5 {
		t.Fatalf("%d kinds are set aside: %v", len(aside), slices.Sorted(maps.Keys(aside)))
	}
	code, rows := examined(t, site)
	if code != exitFailed {
		t.Errorf("the doctor: exit %d", code)
	}
	for name := range aside {
		if !row(rows, "versions of files", rowWrong, filepath.Base(name)) {
			t.Errorf("the doctor does not find %s: %+v", name, rows)
		}
	}
	address, out, stop := runMonitor(t, site)
	l := &liveRun{t: t, st: &station{address: address}, dir: data}
	find := func(name string) []string {
		there, err := filepath.Glob(filepath.Join(data, filepath.FromSlash(name)) + ".newer-*")
		if err != nil {
			t.Fatal(err)
		}
		return there
	}
	for name := range aside {
		until(t, name+" set aside", func() bool { return len(find(name)) > 0 })
	}
	if h := l.get("/healthz"); !strings.Contains(h, "sqlite.newer-") || strings.Contains(h, "the file is damaged") {
		t.Errorf("healthz does not say what was set aside, or says that it is damaged: %s", h)
	}
	if code := stop(); code != exitGood {
		t.Errorf("exit %d: %s", code, out)
	}
	for name, text := range aside {
		there := find(name)
		if len(there) != 1 || readFile(t, there[0]) != text {
			t.Errorf("%s: set aside as %v, want one, unchanged", name, there)
		}
	}
}

// What a program before this one wrote is gone on with: a recording of format 1, a state
// of version 1, places and a folder that said no version.
func TestAnOlderFileIsGoneOnWith(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	site := everythingSite(t, dir, freePort(t))
	unpackFolder(t, data, true)
	recording := record.Path(filepath.Join(data, recordingsDir), "R1", time.Now())
	replaceIn := func(name string, change func([]byte) []byte) {
		path := filepath.Join(data, filepath.FromSlash(name))
		if err := os.WriteFile(path, change([]byte(readFile(t, path))), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	replaceIn(filepath.ToSlash(relative(data, recording)), func([]byte) []byte {
		z, err := gzip.NewReader(strings.NewReader(readFile(t, "../../ingest/record/testdata/format1.sqlite.gz")))
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(z)
		if err != nil {
			t.Fatal(err)
		}
		return b
	})
	replaceIn("state/R1.json", func([]byte) []byte {
		return fmt.Appendf(nil, `{"version":1,"crc32":"%08x","alarms":[]}`, crc32.ChecksumIEEE([]byte("[]")))
	})
	replaceIn("notify/shore.json", func(b []byte) []byte { return bytes.Replace(b, []byte(`"version":1,`), nil, 1) })
	replaceIn("historian/places.sqlite", func(b []byte) []byte {
		binary.BigEndian.PutUint32(b[60:], 0)
		return b
	})
	if err := os.Remove(filepath.Join(data, formsFile)); err != nil {
		t.Fatal(err)
	}
	address, out, stop := runMonitor(t, site)
	l := &liveRun{t: t, st: &station{address: address}, dir: data}
	written := regexp.MustCompile(`"written":[1-9]`)
	until(t, "the recording to be gone on with", func() bool { return written.MatchString(l.get("/healthz")) })
	if h := l.get("/healthz"); !strings.Contains(h, `"set_aside":2`) {
		t.Errorf("the webhook's place was not gone on with: %s", h)
	}
	if code := stop(); code != exitGood {
		t.Errorf("exit %d: %s", code, out)
	}
	for _, name := range filesIn(t, data) {
		if strings.Contains(name, ".damaged-") || strings.Contains(name, ".newer-") {
			t.Errorf("%s was set aside", name)
		}
		if k, ok := kindOf(name); ok && (k.Where == byHeader || k.Where == byVersion) {
			if got := versionIn(filepath.Join(data, name), &k); got != k.Version {
				t.Errorf("%s: got version %d after the upgrade, want %d", name, got, k.Version)
			}
		}
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
