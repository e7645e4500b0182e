package record

import (
	"iter"
	"strings"
	"time"
)

// Note is what was done to the recordings themselves: deleted, thinned, spared.
type Note struct {
	Rig      string
	Received time.Time
	Text     string
}

// AddNote takes a note for the recording of the day. It never blocks.
func (r *Recorder) AddNote(rig string, received time.Time, text string) bool {
	it := item{kind: itemNote, text: strings.ToValidUTF8(text, "\uFFFD")}
	it.entry.Rig, it.entry.Received = rig, received
	return r.offer(it)
}

const noteSchema = `CREATE TABLE note ( -- what was done to the recordings themselves
  id INTEGER PRIMARY KEY,
  received INTEGER NOT NULL, -- ns since 1970-01-01T00:00:00Z
  text TEXT NOT NULL
);
`

// Notes returns the notes by Received.
func Notes(paths ...string) iter.Seq2[Note, error] {
	return merged(paths, table[Note]{
		name: "note", order: "received, id", since: 2, columns: []string{"received", "id", "text"},
		decode: func(i *info, row []any) (Note, key, int64, error) {
			k, err := keyOf(row)
			text, _ := row[2].(string)
			return Note{i.rig, instant(k[0]), text}, k, k[0], err
		},
	})
}
