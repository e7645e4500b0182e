package historian

import (
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	_ "modernc.org/sqlite" // the driver

	"hoistward/ingest/record"
)

// Files beneath Options.State.
const (
	placesFile  = "places.sqlite"
	refusedFile = "refused.jsonl"
)

// place is how far a rig's recording is with the server.
type place struct {
	seq      uint64
	received int64 // ns, of the entry seq
	refused  uint64
}

// places keeps the place of each rig in one small table: a batch moves those of its
// rigs together, in one synced transaction.
type places struct {
	db *sql.DB

	mu   sync.Mutex
	rigs map[string]place
}

// placesVersion is the file's user_version; 0 is of before there were versions, with the
// same table. placesID marks it ("HWHP").
const (
	placesVersion = 1
	placesID      = 0x48574850
)

// errNewer is of a file that a newer program wrote.
var errNewer = errors.New("a newer hoistward wrote it")

const placesSchema = `CREATE TABLE IF NOT EXISTS place ( -- of each rig, what is with the historian
  rig TEXT PRIMARY KEY,
  seq INTEGER NOT NULL,      -- entries, events and estimates up to it are there, or put aside
  received INTEGER NOT NULL, -- ns since 1970-01-01T00:00:00Z, of that entry
  refused INTEGER NOT NULL   -- points put aside, in all
) STRICT`

// openPlaces opens the table. One that is damaged is set aside: forwarding then
// begins at the oldest recording, and a server that has the points already takes
// them over themselves. Nothing could be asked of the server in its stead, as a
// place is in the recording's count and not in time.
func openPlaces(path string, now time.Time) (*places, string, error) {
	var p *places
	err := tooNew(path)
	if err == nil {
		p, err = tryPlaces(path)
	}
	if err == nil {
		return p, "", nil
	}
	if st, e := os.Stat(path); e != nil || st.IsDir() {
		return nil, "", fmt.Errorf("%s: %w", path, err)
	}
	ending := ".damaged-"
	if errors.Is(err, errNewer) {
		ending = ".newer-"
	}
	to := path + ending + now.UTC().Format("20060102T150405.000000000Z")
	note := fmt.Sprintf("%s could not be read (%v) and was set aside as %s; forwarding begins at the oldest recording",
		path, err, filepath.Base(to))
	for _, ending := range []string{"", "-wal", "-shm", "-journal"} {
		if err := os.Rename(path+ending, to+ending); err != nil && !errors.Is(err, os.ErrNotExist) {
			return nil, "", err
		}
	}
	if p, err = tryPlaces(path); err != nil {
		return nil, "", fmt.Errorf("%s: %w", path, err)
	}
	return p, note, nil
}

// tooNew refuses a newer program's file before anything can write to it.
func tooNew(path string) error {
	if _, version, known := record.HeaderVersion(path); known && version > placesVersion {
		return fmt.Errorf("got version %d, want %d at most: %w", version, placesVersion, errNewer)
	}
	return nil
}

func tryPlaces(path string) (*places, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	u := url.URL{Scheme: "file", Path: filepath.ToSlash(abs), RawQuery: url.Values{
		"_txlock": {"immediate"}, "_pragma": {"busy_timeout(5000)", "journal_mode(WAL)", "synchronous(FULL)"}}.Encode()}
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	p := &places{db: db, rigs: map[string]place{}}
	if err := p.load(); err != nil {
		db.Close()
		return nil, err
	}
	return p, nil
}

func (p *places) load() error {
	var found string
	if err := p.db.QueryRow("PRAGMA integrity_check(1)").Scan(&found); err != nil {
		return err
	}
	if found != "ok" {
		return errors.New(found)
	}
	var version int
	if err := p.db.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	if _, err := p.db.Exec(placesSchema); err != nil {
		return err
	}
	if version < placesVersion {
		if _, err := p.db.Exec(fmt.Sprintf("PRAGMA application_id=%d; PRAGMA user_version=%d", placesID, placesVersion)); err != nil {
			return err
		}
	}
	rows, err := p.db.Query("SELECT rig, seq, received, refused FROM place")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var rig string
		var at place
		if err := rows.Scan(&rig, &at.seq, &at.received, &at.refused); err != nil {
			return err
		}
		p.rigs[rig] = at
	}
	return rows.Err()
}

// rewind moves places back that are beyond what is recorded: recordings were
// removed or set aside, and new entries will be numbered from there.
func (p *places) rewind(last uint64) {
	for rig, at := range p.rigs {
		at.seq = min(at.seq, last)
		p.rigs[rig] = at
	}
}

func (p *places) of(rig string) place {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.rigs[rig]
}

func (p *places) list() []RigStatus {
	p.mu.Lock()
	defer p.mu.Unlock()
	var all []RigStatus
	for _, rig := range slices.Sorted(maps.Keys(p.rigs)) {
		at := p.rigs[rig]
		s := RigStatus{Rig: rig, Seq: at.seq, Refused: at.refused}
		if at.received != 0 {
			s.Received = time.Unix(0, at.received).UTC()
		}
		all = append(all, s)
	}
	return all
}

// save moves places on, on disk and then here.
func (p *places) save(to map[string]place, refused []refusal) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	to = maps.Clone(to)
	for i := range refused {
		at, ok := to[refused[i].rig]
		if !ok {
			at = p.rigs[refused[i].rig]
		}
		at.refused++
		to[refused[i].rig] = at
	}
	tx, err := p.db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	for _, rig := range slices.Sorted(maps.Keys(to)) {
		at := to[rig]
		if _, err := tx.Exec("INSERT OR REPLACE INTO place VALUES (?, ?, ?, ?)", rig, int64(at.seq), at.received, int64(at.refused)); err != nil {
			return err
		}
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	maps.Copy(p.rigs, to)
	return nil
}

func (p *places) close() error {
	if err := p.db.Close(); err != nil {
		return fmt.Errorf("historian: places: %w", err)
	}
	return nil
}
