package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"hoistward/alarms/journal"
	"hoistward/ingest/record"
)

// formsFile is a file of the data folder that says in which version its lists of lines
// are: a line has no room for one, as the journal's is what goes out, and an older
// program must not add lines of its own form to a newer list.
const formsFile = "forms.json"

type formsKept struct {
	Version  int            `json:"version"`
	Software string         `json:"software"` // that wrote it last, for people
	Lists    map[string]int `json:"lists"`    // version by keptFile.Path
}

// tooNew is a file that a newer program wrote.
type tooNew struct {
	file      string // in the data folder
	got, want int
}

func (n tooNew) Error() string {
	return fmt.Sprintf("%s: got version %d, want %d at most: a newer hoistward wrote it. Start that one; or move the file away, and it is begun anew", n.file, n.got, n.want)
}

func readForms(dir string) (formsKept, error) {
	var f formsKept
	b, err := os.ReadFile(filepath.Join(dir, formsFile))
	if errors.Is(err, fs.ErrNotExist) {
		return f, nil
	}
	if err == nil {
		err = json.Unmarshal(b, &f)
	}
	if want := formsVersion(); f.Version > want {
		return f, tooNew{formsFile, f.Version, want}
	}
	if err != nil {
		return f, fmt.Errorf("%s: %w: see which hoistward wrote the folder, and remove the file if it was this one or an older", formsFile, err)
	}
	return f, nil
}

func formsVersion() int {
	k, _ := kindOf(formsFile)
	return k.Version
}

// checkForms refuses a data folder in which a newer program has written what cannot be
// set aside: lists of lines, and the files whose row says so.
func checkForms(dir string) (formsKept, error) {
	f, err := readForms(dir)
	if err != nil {
		return f, fmt.Errorf("data folder %s: %w", dir, err)
	}
	for _, k := range keptFiles {
		if !strings.HasPrefix(k.Newer, refuses) || k.Where == byFolder {
			continue
		}
		for _, name := range filesLike(dir, k.Path) {
			if got := versionIn(filepath.Join(dir, name), &k); got > k.Version {
				return f, fmt.Errorf("data folder %s: %w", dir, tooNew{name, got, k.Version})
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(f.Lists)) {
		want := 0 // of a list that this program does not know
		for _, k := range keptFiles {
			if k.Path == name {
				want = k.Version
			}
		}
		if f.Lists[name] <= want || want == 0 {
			continue
		}
		if there := filesLike(dir, name); len(there) > 0 {
			return f, fmt.Errorf("data folder %s: %w", dir, tooNew{there[0], f.Lists[name], want})
		}
	}
	return f, nil
}

// filesLike lists the files of a folder that a keptFile.Path means.
func filesLike(dir, pattern string) []string {
	there, _ := fs.Glob(os.DirFS(dir), pattern) // a pattern that is none, of a newer program's list, means no file
	return there
}

// keepForms is checkForms, and then notes the versions that this program writes.
func keepForms(dir string) error {
	f, err := checkForms(dir)
	if err != nil {
		var newer tooNew
		if errors.As(err, &newer) {
			return usageError{err}
		}
		return err
	}
	now := formsKept{Version: formsVersion(), Software: "hoistward " + version, Lists: map[string]int{}}
	for _, k := range keptFiles {
		if k.Where == byFolder {
			now.Lists[k.Path] = k.Version
		}
	}
	if f.Version == now.Version && f.Software == now.Software && maps.Equal(f.Lists, now.Lists) {
		return nil
	}
	text, err := json.Marshal(now)
	if err == nil {
		err = journal.ReplaceFile(filepath.Join(dir, formsFile), append(text, '\n'))
	}
	if err != nil {
		return fmt.Errorf("data folder %s: %s: %w", dir, formsFile, err)
	}
	return nil
}

// newerFiles looks for what a newer program wrote in a data folder, and counts the files
// that were looked at.
func newerFiles(dir string) (newer []error, looked int, err error) {
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		k, ok := kindOf(filepath.ToSlash(relative(dir, path)))
		if !ok || filepath.Base(path) == formsFile {
			return nil
		}
		switch matched, _ := filepath.Match(filepath.FromSlash(k.Path), relative(dir, path)); {
		case !matched:
			return nil // set aside, or SQLite's own
		case k.Where == byHeader || k.Where == byVersion || k.Where == byForm:
			looked++
			if got := versionIn(path, &k); got > k.Version {
				newer = append(newer, tooNew{relative(dir, path), got, k.Version})
			}
		}
		return nil
	})
	if _, refused := checkForms(dir); refused != nil {
		var n tooNew
		if !errors.As(refused, &n) || !slices.ContainsFunc(newer, func(err error) bool { return errors.Is(err, n) }) {
			newer = append(newer, refused)
		}
	}
	return newer, looked, err
}

// versionIn is the version that stands in a file; 0 = none, or it cannot be read.
func versionIn(path string, k *keptFile) int {
	if k.Where == byHeader {
		_, version, _ := record.HeaderVersion(path)
		return int(version)
	}
	var of struct{ Version, Form int }
	if b, err := os.ReadFile(path); err != nil || json.Unmarshal(b, &of) != nil {
		return 0
	}
	return max(of.Version, of.Form)
}

func relative(dir, path string) string {
	rel, err := filepath.Rel(dir, path)
	if err != nil {
		return path
	}
	return rel
}
