package record

import (
	"fmt"
	"maps"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"hoistward/ingest"
	"hoistward/ingest/units"
)

// Format is the version of the file format that this package writes. It is kept
// in the file's user_version; a reader refuses a greater one, and reads all smaller
// ones. 2 added checksums, estimates and notes; recording goes on in a file of
// format 1 by making it one of 2.
const Format = 2

// applicationID marks a SQLite file as a recording ("HWRC").
const applicationID = 0x48575243

const busyTimeout = 5000 // ms

// siSymbols are the units of the columns.
var siSymbols = [...]string{"N", "m", "rad/s", "Pa", "N.m", "A", "K", "1"}

func siSymbol(c ingest.Channel) string {
	for _, s := range siSymbols {
		if u, ok := units.Lookup(s); ok && u.Dimension == c.Dimension() {
			return s
		}
	}
	return "SI"
}

// entryColumns are the columns of table entry that are not channels, in the
// order in which rows are written and read.
var entryColumns = []string{"seq", "received", "kind", "time", "has", "quality", "body"}

// eventColumns are those of table event that the checksum is of.
var eventColumns = []string{"seq", "received", "line"}

func schema() string {
	var b strings.Builder
	b.WriteString(`CREATE TABLE entry ( -- everything that can change an answer about the rig, in order
  seq INTEGER PRIMARY KEY,   -- order of taking
  received INTEGER NOT NULL, -- ns since 1970-01-01T00:00:00Z, when it was taken
  kind INTEGER NOT NULL,     -- see table kind
  time INTEGER,              -- ns since 1970-01-01T00:00:00Z, by the source's clock
  has INTEGER,               -- bit n set: the message named channel n of table channel
  quality TEXT,              -- NULL: every named value is good; see table meta, quality
  body TEXT`)
	b.WriteString(" -- JSON of an act, link, session or gap")
	for c := range ingest.NumChannels {
		fmt.Fprintf(&b, "\n, %s REAL -- %s", c, siSymbol(c))
	}
	b.WriteString(`
, crc INTEGER -- see table meta, checksum
);
CREATE TABLE event ( -- journal lines
  id INTEGER PRIMARY KEY,
  seq INTEGER NOT NULL,      -- the entry that made it
  received INTEGER NOT NULL, -- ns since 1970-01-01T00:00:00Z
  line TEXT NOT NULL,        -- JSON
  crc INTEGER                -- see table meta, checksum
);
CREATE TABLE reject ( -- messages that could not be taken
  id INTEGER PRIMARY KEY,
  received INTEGER NOT NULL, -- ns since 1970-01-01T00:00:00Z
  source TEXT NOT NULL, reason TEXT NOT NULL, detail TEXT NOT NULL,
  count INTEGER NOT NULL     -- how many alike
);
CREATE TABLE channel (number INTEGER PRIMARY KEY, name TEXT NOT NULL, unit TEXT NOT NULL);
CREATE TABLE kind (number INTEGER PRIMARY KEY, name TEXT NOT NULL);
CREATE TABLE reason (number INTEGER PRIMARY KEY, name TEXT NOT NULL);
CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL);
` + estimateSchema + noteSchema + `CREATE VIEW reading AS SELECT seq,
  strftime('%Y-%m-%dT%H:%M:%fZ', time/1000000000.0, 'unixepoch') AS time_utc`)
	for c := range ingest.NumChannels {
		fmt.Fprintf(&b, ", %s", c)
	}
	b.WriteString(", quality FROM entry WHERE kind = 1;\n")
	for c := range ingest.NumChannels {
		fmt.Fprintf(&b, "INSERT INTO channel VALUES (%d, '%s', '%s');\n", c, c, siSymbol(c))
	}
	for _, k := range slices.Sorted(maps.Keys(kindNames)) {
		fmt.Fprintf(&b, "INSERT INTO kind VALUES (%d, '%s');\n", k, kindNames[k])
	}
	for r := range ingest.NumReasons {
		fmt.Fprintf(&b, "INSERT INTO reason VALUES (%d, '%s');\n", r, r)
	}
	fmt.Fprintf(&b, "PRAGMA application_id = %d;\nPRAGMA user_version = %d;\n", applicationID, Format)
	return b.String()
}

// eventIndex is for a reader that goes on behind an entry, as the historian's does. It is
// made with a file's first event: it takes a page.
const eventIndex = "CREATE INDEX IF NOT EXISTS event_seq ON event (seq)"

// toFormat2 makes a file of format 1 one of format 2.
var toFormat2 = "ALTER TABLE entry ADD COLUMN crc INTEGER; ALTER TABLE event ADD COLUMN crc INTEGER;\n" +
	estimateSchema + noteSchema + "INSERT OR REPLACE INTO meta VALUES ('checksum', '" + sumNote + "');\n" +
	"PRAGMA user_version = 2;"

// sumNote is in the files.
const sumNote = "column crc of tables entry, event, estimate: sum modulo 2^32, as a signed number, of the CRC-32C " +
	"(begun with the CRC-32C of the name of the column) of each column but crc and id that is not NULL, over its type, " +
	"i, f or s, and its value, 8 bytes little-endian or text; NULL: row written before there were checksums"

var kindNames = map[ingest.Kind]string{
	ingest.EntrySample: "sample", ingest.EntryTick: "tick", ingest.EntryAct: "act",
	ingest.EntryLink: "link", ingest.EntrySession: "session", ingest.EntryGap: "gap",
}

const qualityNote = "items for values that are not plainly good: channel number, " +
	"b bad (the column is NULL), u uncertain, g good; reason number; - for a negative zero"

// writeDSN names the file for the one writing connection. Settings stand here and
// not in statements, so that no connection is ever without them.
func writeDSN(path string) (string, error) {
	q := url.Values{"_txlock": {"immediate"}, "_pragma": {
		fmt.Sprintf("busy_timeout(%d)", busyTimeout),
		"journal_mode(WAL)", "synchronous(FULL)",
		"journal_size_limit(" + strconv.Itoa(journalLimit) + ")",
		"cache_size(-512)",
	}}
	return fileURL(path, q)
}

// turnDSN names a file that is opened in its turn for one transaction and closed. A
// write-ahead log would have to be begun and folded in each time: three times the syncs.
// The removal of its journal is synced too: one that comes back after a loss of power
// would undo a transaction whose rows are no longer in the spool.
func turnDSN(path string) (string, error) {
	q := url.Values{"_txlock": {"immediate"}, "_pragma": {
		fmt.Sprintf("busy_timeout(%d)", turnTimeout), "journal_mode(DELETE)", "synchronous(EXTRA)", "cache_size(-512)",
	}}
	return fileURL(path, q)
}

// turnTimeout is how long a reader of the file is waited for, ms: the others wait too.
const turnTimeout = 500

const journalLimit = 4 << 20 // bytes that the WAL may keep after a checkpoint

// wanted are the settings asserted on every writing connection.
var wanted = []setting{
	{"busy_timeout", strconv.Itoa(busyTimeout)},
	{"journal_mode", "wal"},
	{"synchronous", "2"},
	{"journal_size_limit", strconv.Itoa(journalLimit)},
}

// wantedInTurn are those of a connection to a file that is opened in its turn.
var wantedInTurn = []setting{
	{"busy_timeout", strconv.Itoa(turnTimeout)},
	{"journal_mode", "delete"},
	{"synchronous", "3"},
}

type setting struct{ pragma, value string }

func fileURL(path string, q url.Values) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	u := url.URL{Scheme: "file", Path: filepath.ToSlash(abs), RawQuery: q.Encode()}
	return u.String(), nil
}
