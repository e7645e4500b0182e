package main

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"hoistward/ingest/record"
)

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
