package main

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/record"
)

// outwards are names that would lead out of a folder, or to a device or stream of another
// system, if they were taken as a path.
var outwards = []string{
	"..", ".", "../x", "x/../../y", "/etc/x", `..\x`, `C:\x`, `\\host\share`, "x/y", "x\x00y", "~/x/../..", "%2e%2e/x", "x/", ".x", "x.",
	"x:stream", " x", "x ", "\n", "rig\u202ename/..", strings.Repeat("x", 65), "",
}

func pathWord(r *rapid.T) string {
	return rapid.OneOf(
		rapid.SampledFrom(outwards),
		rapid.StringOfN(rapid.RuneFrom([]rune(`ab./\:~%-_ `+"\x00\n")), 0, 20, -1),
		rapid.StringN(0, 70, -1),
	).Draw(r, "name")
}

// Whatever a rig is called: a name that is taken is one element of a path, so what is
// joined to a folder stays in it.
func TestRigNamesStayInTheirFolder(t *testing.T) {
	taken := 0
	rapid.Check(t, func(r *rapid.T) {
		name := pathWord(r)
		if record.CheckRig(name) != nil {
			return
		}
		taken++
		const folder = "/data/recordings"
		for _, path := range []string{filepath.Join(folder, name), filepath.Join(folder, name, name+"-2026-11-24.sqlite"), filepath.Join(folder, name+".jsonl")} {
			if rel, err := filepath.Rel(folder, path); err != nil || !filepath.IsLocal(rel) || !strings.HasPrefix(path, folder+"/"+name) {
				r.Fatalf("%q leads to %s", name, path)
			}
		}
		if strings.ContainsAny(name, `/\:`+"\x00") || strings.Trim(name, ".") == "" {
			r.Fatalf("%q is taken", name)
		}
	})
	if taken == 0 {
		t.Error("no name was taken: the test shows nothing")
	}
	for _, name := range outwards {
		if err := record.CheckRig(name); err == nil {
			t.Errorf("%q is taken", name)
		}
	}
}

// A rig file cannot give a name that the data folder's files would not bear.
func TestRigFilesGiveNamesThatStayInTheirFolder(t *testing.T) {
	_, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	taken := 0
	rapid.Check(t, func(r *rapid.T) {
		name := rapid.OneOf(rapid.StringMatching(`[A-Za-z0-9._-]{1,20}`), rapid.Custom(pathWord)).Draw(r, "of the file")
		changed, err := configs.Set(text, "rig", name)
		if err != nil {
			return
		}
		rig, problems := configs.ReadRig("x.yaml", changed)
		if len(problems) > 0 {
			return
		}
		taken++
		if err := record.CheckRig(rig.Name); err != nil {
			r.Fatalf("%q: %v", rig.Name, err)
		}
	})
	if taken == 0 {
		t.Error("no name was taken: the test shows nothing")
	}
}

// A recorder that is given such names, as by an import, writes nothing beside its folder.
func TestRecorderWritesNothingBesideItsFolder(t *testing.T) {
	around := t.TempDir()
	folder := filepath.Join(around, "in", "recordings")
	rec, err := record.Open(folder, record.Options{Software: "test"})
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	for i, name := range append(outwards, "good-1") {
		taken := rec.Add(ingest.Entry{Rig: name, Seq: uint64(i + 1), Received: at, Kind: ingest.EntryTick})
		if taken != (name == "good-1") {
			t.Errorf("%q: taken %v", name, taken)
		}
	}
	if err := rec.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	good := false
	err = filepath.WalkDir(around, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, _ := filepath.Rel(folder, path)
		if !filepath.IsLocal(rel) {
			t.Errorf("written beside the folder: %s", path)
		}
		good = good || strings.HasPrefix(rel, "good-1"+string(os.PathSeparator))
		return nil
	})
	if err != nil || !good {
		t.Errorf("%v; the good rig is recorded: %v", err, good)
	}
}

// A file that is small and unpacks to one line of 48 MiB: each way to import it says so
// or passes it over, in a bounded room, and reads on where it can.
func TestImportOfAFileThatUnpacksWithoutEnd(t *testing.T) {
	const size = 48 << 20
	dir := t.TempDir()
	bomb := filepath.Join(dir, "bomb.gz")
	f, err := os.Create(bomb)
	if err != nil {
		t.Fatal(err)
	}
	z, chunk := gzip.NewWriter(f), bytes.Repeat([]byte("1"), 1<<20)
	for range size / len(chunk) {
		if _, err := z.Write(chunk); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(z.Close(), f.Close()); err != nil {
		t.Fatal(err)
	}
	for format, says := range map[string]string{"csv": "without an end of line", "lines": "token too long", "wits": "no readings"} {
		args := []string{"import", bomb, "--format", format, "--rig", "R1", "--out", filepath.Join(dir, format), "--column", "0114=hook_load[kN]"}
		if format == "wits" {
			args = append(args, "--zone", "Z")
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		var out bytes.Buffer
		code := run(args, &streams{ctx: t.Context(), out: &out, err: &out})
		runtime.ReadMemStats(&after)
		if code != exitFailed || !strings.Contains(out.String(), says) {
			t.Errorf("%s: exit %d, want %d with %q: %.400s", format, code, exitFailed, says, &out)
		}
		if took := after.TotalAlloc - before.TotalAlloc; took > size/2 {
			t.Errorf("%s: %d bytes were taken for a line of %d", format, took, size)
		}
	}
}
