package main

import (
	"path"
	"strings"

	"hoistward/ingest/record"
)

// keptFile is a kind of file that the program keeps in a data folder and reads again, or
// that people read there.
type keptFile struct {
	Path    string // in the data folder; an element of it may hold * for a name
	Form    string // SQLite, JSON, JSON lines, CSV, text
	Version int    // that this program writes; 0 = the file has none and needs none
	Where   string // how the version is known
	Reader  string // what reads it
	Older   string // what this program does with an older version
	Newer   string // what it does with a newer one; a program before this, with this one's
}

// Ways in which a version is known.
const (
	byHeader   = "user_version of the file's header"
	byVersion  = `its "version"`
	byForm     = `its "form"`
	byFolder   = "`" + formsFile + "` of the folder"
	hasNone    = "has none"
	bySpool    = `its first bytes, "HWSPOOL1"`
	byHeadline = "its first line names each column and unit"
)

// What the program does with a newer version.
const (
	refuses   = "does not start (exit code 2), and says file, got and want; nothing is written"
	setsAside = "sets it aside as `….newer-TIME`, unchanged, says so, and "
	overlooks = "does not read it"
)

// keptFiles are all kinds of file in a data folder. A test walks a folder in which all
// has happened, and another the calls that make files: a file without a row fails both.
var keptFiles = []keptFile{
	{"recordings/*/*.sqlite", "SQLite", record.Format, byHeader,
		"the monitor (goes on with the day's), the historian's forwarder, `replay`, `report`, `export`, the replay page",
		"reads it; goes on in it by adding what is new, rows stay as they are",
		setsAside + "records on in a new file with a gap entry; what only reads refuses the file and names it"},
	{"recordings/.spool/*.spool", "rows with checksums", 1, bySpool, "the monitor, at its start, and what reads recordings of a folder where nobody records: rows that had not come into their files",
		"there is none", "sets it aside under another name, unchanged, says so, and goes on without its rows"},
	{"recordings/recorder.lock", "text", 0, hasNone, "the monitor: who has the folder", "no difference", "no difference"},
	{"state/*.json", "JSON", 2, byVersion, "the monitor, at its start", "reads it (1: alarms alone, no limits and service log)",
		setsAside + "goes by the journal, as nobody had acknowledged anything"},
	{"pair.json", "JSON", pairForm, byForm, "a monitor of a pair: which acts of the other it has", "there is none", refuses},
	{"notify/*.json", "JSON", 1, byVersion, "the monitor: how far a destination has come", "reads it (none: before there were versions, the same in all else)",
		setsAside + "begins with the oldest event that is still sent, under the same ids"},
	{"historian/places.sqlite", "SQLite", 1, byHeader, "the forwarder: how far each rig is", "reads it (0: before there were versions, the same table), and marks it",
		setsAside + "sends all that is recorded again"},
	{"access/accounts.json", "JSON", 1, byVersion, "the page, `user`", "there is none", refuses},
	{"access/sessions.json", "JSON", 1, byVersion, "the page: who is signed in, and how each likes the pages", "there is none", setsAside + "everybody signs in again"},
	{"journal.jsonl", "JSON lines", 1, byFolder, "the monitor (a state that is older than it, figures, tours, what goes out), `doctor`, people", "there is none", refuses},
	{"service/*.jsonl", "JSON lines", 1, byFolder, "people", "there is none", refuses},
	{"access/audit.jsonl*", "JSON lines", 1, byFolder, "people", "there is none", refuses},
	{"notify/*.refused.jsonl", "JSON lines", 1, byFolder, "people: events that a receiver refused", "there is none", refuses},
	{"notify/*.before.jsonl", "JSON lines", 1, byFolder, "people: the one before", "there is none", refuses},
	{"historian/refused.jsonl*", "JSON lines", 1, byFolder, "people: points that the server refused", "there is none", refuses},
	{"holds.jsonl", "JSON lines", 1, byFolder, "`hold`, and the monitor before it thins recordings", "there is none", refuses + "; `hold` refuses too"},
	{formsFile, "JSON", 1, byVersion, "the monitor, `hold`, `doctor`: the versions of lists of lines", "there is none", refuses},
	{"truth/*.csv", "CSV", 0, byHeadline, "the replay page of a demo, `report`", "reads the columns that it knows", "reads the columns that it knows"},
}

// endings are of what is set aside, or left by a process that died while it replaced a
// file; nothing reads these by itself.
var endings = []string{".damaged-", ".newer-", ".new-", ".new", ".part", ".old", ".thin"}

// companions are SQLite's own files.
var companions = []string{"-wal", "-shm", "-journal"}

// kindOf returns the kind of a file by its path in the data folder, with slashes.
func kindOf(name string) (keptFile, bool) {
	for _, ending := range endings {
		if at := strings.Index(name, ending); at > 0 {
			name = name[:at]
		}
	}
	for _, ending := range companions {
		name = strings.TrimSuffix(name, ending)
	}
	for _, k := range keptFiles {
		if ok, err := path.Match(k.Path, name); ok && err == nil {
			return k, true
		}
	}
	return keptFile{}, false
}
