package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/notify"
	"hoistward/dashboard/access"
	"hoistward/ingest/record"
)

// Limits of the disk. Chosen here: a rig at 10 Hz writes some 100 MB a day, and the
// journal and the recordings are synced each second.
const (
	slowSync  = 100 * time.Millisecond // median of a small write that is synced
	worstSync = time.Second
	syncs     = 15
)

// folder looks at the data folder: who may use it, whether it can be written and how
// fast, and what room there is.
func (x *examination) folder() {
	dir := x.site.Data
	info, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		x.ok("data folder", "%s is not there yet: the monitor makes it", dir)
		dir = filepath.Dir(dir)
		if _, err = os.Stat(dir); err != nil {
			x.wrong("data folder", "make "+dir+", or name another folder under data", "%s", oneLine(err))
			return
		}
	case err != nil:
		x.wrong("data folder", "see to its permissions", "%s", oneLine(err))
		return
	case !info.IsDir():
		x.wrong("data folder", "name a folder under data", "%s is no folder", dir)
		return
	case info.Mode().Perm()&0o002 != 0:
		x.wrong("data folder", "chmod o-w "+dir, "%s may be written by everybody on this machine (mode %04o): journal and recordings are no evidence then", dir, info.Mode().Perm())
	case info.Mode().Perm()&0o004 != 0:
		x.look("data folder", "chmod o-rx "+dir+", unless others are to read it", "%s may be read by everybody on this machine (mode %04o)", dir, info.Mode().Perm())
	default:
		x.ok("data folder", "%s (mode %04o)", dir, info.Mode().Perm())
	}
	x.speed(dir)
	x.room(dir)
	x.forms()
	x.accounts()
}

// accounts looks whether the page's accounts can be read, and by nobody else.
func (x *examination) accounts() {
	path := filepath.Join(x.site.Data, accessDir, access.AccountsFile)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return
	}
	a, err := access.ReadAccounts(path)
	if err != nil {
		x.wrong("accounts", "mend that, or the page lets nobody in: chmod 600 "+path+", or put a copy of it back", "%s", oneLine(err))
		return
	}
	x.ok("accounts", "%d %s, readable by the monitor alone", a.Len(), plural(a.Len(), "account", "accounts"))
}

func (x *examination) speed(dir string) {
	median, worst, err := syncSpeed(dir)
	x.judgeSpeed(dir, median, worst, err)
}

func (x *examination) judgeSpeed(dir string, median, worst time.Duration, err error) {
	switch {
	case err != nil:
		x.wrong("disk speed", "let the monitor's user write into "+dir, "%s cannot be written: %s", dir, oneLine(err))
	case worst >= worstSync || median >= slowSync:
		x.look("disk speed", "use a disk of its own, not a network folder or a worn card; the watch goes on, but acts are confirmed late",
			"a synced write takes %s (median), %s (worst of %d)", median.Round(time.Microsecond), worst.Round(time.Microsecond), syncs)
	default:
		x.ok("disk speed", "a synced write takes %s (median), %s (worst of %d)", median.Round(time.Microsecond), worst.Round(time.Microsecond), syncs)
	}
}

// syncSpeed writes and syncs some small blocks, and takes them away again.
func syncSpeed(dir string) (median, worst time.Duration, err error) {
	f, err := os.CreateTemp(dir, ".doctor-*")
	if err != nil {
		return 0, 0, err
	}
	defer func() { err = errors.Join(err, f.Close(), os.Remove(f.Name())) }()
	block := bytes.Repeat([]byte("hoistward doctor\n"), 241) // 4 KiB
	var took []time.Duration
	for range syncs {
		begun := time.Now()
		if _, err = f.Write(block); err == nil {
			err = f.Sync()
		}
		if err != nil {
			return 0, 0, err
		}
		took = append(took, time.Since(begun))
	}
	slices.Sort(took)
	return took[len(took)/2], took[len(took)-1], nil
}

func (x *examination) room(dir string) {
	free, known := record.Free(dir)
	x.judgeRoom(free, known)
}

// judgeRoom says what so many free bytes come to.
func (x *examination) judgeRoom(free uint64, known bool) {
	if !known {
		x.look("disk space", "look yourself", "not known on this system")
		return
	}
	text := fmt.Sprintf("%.1f GiB free", float64(free)/(1<<30))
	switch {
	case free < record.LowSpace/10:
		x.wrong("disk space", "make room: recording stops when the disk is full", "%s", text)
	case free < record.LowSpace:
		x.look("disk space", "make room, or set recording.keep", "%s", text)
	default:
		x.ok("disk space", "%s", text)
	}
}

// forms looks whether this program can read what the data folder holds.
func (x *examination) forms() {
	dir, read := filepath.Join(x.site.Data, stateDir), 0
	files, _ := filepath.Glob(filepath.Join(dir, "*.json"))
	for _, path := range files {
		b, err := os.ReadFile(path)
		if err == nil {
			_, err = alarms.UnmarshalState(b)
		}
		if err != nil {
			x.wrong("alarm state", "if a newer hoistward wrote it, start that one; else the monitor sets it aside and goes by the journal, with nothing acknowledged", "%s: %s", filepath.Base(path), oneLine(err))
			continue
		}
		read++
	}
	x.versions()
	if read > 0 {
		x.ok("alarm state", "of %d %s can be read", read, plural(read, "rig", "rigs"))
	}
}

// versions looks whether a newer program wrote what the data folder holds.
func (x *examination) versions() {
	newer, looked, err := newerFiles(x.site.Data)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		x.wrong("versions of files", "let the monitor's user read the data folder", "%s", oneLine(err))
		return
	}
	for _, n := range newer {
		x.wrong("versions of files", "start the newer hoistward again; or read in FILES.md, under the versions of files, what this one does with the file", "%s", oneLine(n))
	}
	if len(newer) == 0 && looked > 0 {
		x.ok("versions of files", "of %d %s with one, none is newer than this program's", looked, plural(looked, "file", "files"))
	}
}

// clock looks whether this machine's clock can be believed.
func (x *examination) clock() {
	newest, what := x.newest()
	switch back := newest.Sub(x.now); {
	case newest.IsZero():
		x.ok("clock", "%s; nothing is recorded yet to hold it against", clockText(x.now))
	case back > 2*time.Second:
		x.wrong("clock", "set the clock before the monitor is started: its times go on from the clock at the start",
			"%s, but %s is from %s: the clock jumped back by %s", clockText(x.now), what, clockText(newest), back.Round(time.Second))
	default:
		x.ok("clock", "%s, %s after %s", clockText(x.now), (-back).Round(time.Second), what)
	}
	x.judgeSync(clockSynced())
}

func (x *examination) judgeSync(synced, known bool) {
	switch {
	case !known:
		x.look("clock", "see that something sets it (NTP, PTP or GPS)", "whether it is set by a time server is not known on this system")
	case !synced:
		x.look("clock", "start a time service such as systemd-timesyncd or chrony", "the kernel says that nothing keeps it in step")
	default:
		x.ok("clock", "the kernel says that it is kept in step")
	}
}

// newest is the time of the newest line of the journal.
func (x *examination) newest() (at time.Time, what string) {
	for line, err := range notify.Lines(filepath.Join(x.site.Data, journalFile), 256<<10) {
		if err != nil {
			break
		}
		if line.Time.After(at) {
			at = line.Time
		}
	}
	return at, "the journal's newest line"
}
