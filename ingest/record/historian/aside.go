package historian

import (
	"encoding/json"
	"errors"
	"os"
	"time"
)

// asideMost is the size of the file of refused points, bytes; then it is renamed to
// .old in place of the one before, and begun anew.
const asideMost = 32 << 20

// refusal is a line that the server would not have, or that could not be written.
type refusal struct {
	rig    string
	status int    // HTTP; 0 = never sent
	words  string // the server's, or ours
	line   string
}

// aside keeps refused lines in a file, one JSON object a line.
type aside struct {
	path string
	most int64
}

type asideLine struct {
	Time   string `json:"time"`
	Rig    string `json:"rig"`
	Status int    `json:"status,omitempty"`
	Words  string `json:"words"`
	Line   string `json:"line"`
}

// add appends refusals and returns when they are on disk.
func (a *aside) add(now time.Time, all []refusal) error {
	if len(all) == 0 {
		return nil
	}
	if st, err := os.Stat(a.path); err == nil && st.Size() > a.most {
		if err := os.Rename(a.path, a.path+".old"); err != nil {
			return err
		}
	}
	f, err := os.OpenFile(a.path, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o644)
	if err != nil {
		return err
	}
	var text []byte
	for _, r := range all {
		line, err := json.Marshal(asideLine{now.UTC().Format(time.RFC3339Nano), r.rig, r.status, r.words, r.line})
		if err != nil {
			return errors.Join(err, f.Close())
		}
		text = append(append(text, line...), '\n')
	}
	_, err = f.Write(text)
	return errors.Join(err, f.Sync(), f.Close())
}
