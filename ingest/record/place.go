package record

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"hoistward/ingest"
)

// sameDay returns how many of the first rows, and of how many bytes, are of one day.
func sameDay(b []byte, most int) (n, size int) {
	const dayLength = 24 * 60 * 60
	day := packedReceived(b).Unix() / dayLength
	for n < most && size < len(b) && packedReceived(b[size:]).Unix()/dayLength == day {
		size += packedSize(b[size:])
		n++
	}
	return n, size
}

func dayOf(t time.Time) string { return t.UTC().Format(time.DateOnly) }

// path returns the file that the first pending row belongs to.
func (w *writer) path(s *rigState) string {
	return Path(w.r.dir, s.rig, packedReceived(s.rows.b))
}

// Path returns the file in which a recording in dir keeps what was received of
// rig on the UTC day of t.
func Path(dir, rig string, t time.Time) string {
	return filepath.Join(dir, rig, rig+"-"+dayOf(t)+".sqlite")
}

func (w *writer) openFor(s *rigState) error {
	path := w.path(s)
	if s.file != nil && s.file.path == path && s.file.inPlace() {
		return nil
	}
	if s.file != nil && s.file.path == path {
		// SQLite would go on writing into a file without a name.
		s.file.close()
		w.forget(s)
		w.gone(s, path)
	}
	if s.file != nil {
		w.closeFile(s)
	}
	stays := w.open < w.r.opts.OpenFiles
	o := openOptions{Options: w.r.opts, turn: !stays, rig: s.rig, day: dayOf(packedReceived(s.rows.b)), checkLeft: &w.checkLeft, images: &w.images}
	if s.left != nil && s.leftAt == path {
		now, err := os.Stat(path)
		switch same := err == nil && os.SameFile(now, s.left); {
		case !same:
			w.gone(s, path)
		case now.Size() == s.left.Size() && now.ModTime().Equal(s.left.ModTime()):
			o.known = true
		}
	}
	f, err := openDay(w.ctx, path, o)
	if s.file = f; f != nil && stays {
		s.stays = true
		w.open++
	}
	return err
}

// gone says that the file that was recorded into is no longer there.
func (w *writer) gone(s *rigState, path string) {
	w.note(fmt.Errorf("recording of %s: %s was removed or replaced while it was recorded", s.rig, path))
	w.tellBreak(s, "the recording of the day to here was removed or replaced")
}

// setAside renames a file that cannot be gone on with, and says in the new one that
// there was one.
func (w *writer) setAside(s *rigState, path string, why error) error {
	ending, was := ".damaged-", "was damaged"
	if errors.Is(why, ErrNewer) {
		ending, was = ".newer-", "was of a newer version of the program"
	}
	to, err := renameAside(path, ending, time.Now())
	if err != nil {
		return fmt.Errorf("recording of %s: setting aside a file: %w", s.rig, err)
	}
	w.note(fmt.Errorf("recording of %s: %s: %w; the file was set aside as %s", s.rig, path, why, to))
	w.r.update(func(st *Status) { st.SetAside = append(st.SetAside, to) })
	w.tellBreak(s, "the recording of the day to here "+was+" and set aside as "+filepath.Base(to))
	return nil
}

// tellBreak puts a gap entry before the next entry: what was recorded earlier on
// the day is no longer in the folder.
func (w *writer) tellBreak(s *rigState, reason string) {
	s.broken = reason
	for at := 0; at < len(s.rows.b); at += packedSize(s.rows.b[at:]) {
		if b := s.rows.b[at:]; packedEntry(b) {
			w.addFirst(s, w.pack(s, s.breakBefore(&w.unpacker.row(s.rig, b).entry)))
			return
		}
	}
}

// breakBefore returns the gap in the place of the entry before e, which was in
// the file that is gone. How many entries that was is not known.
func (s *rigState) breakBefore(e *ingest.Entry) item {
	gap := ingest.Entry{Seq: max(e.Seq, 1) - 1, Received: e.Received, Rig: s.rig, Kind: ingest.EntryGap,
		Gap: &ingest.Gap{Reason: s.broken}}
	s.broken = ""
	return item{kind: itemEntry, entry: gap}
}
