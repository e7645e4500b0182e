package journal

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"hoistward/alarms"
)

// catchUpBytes is how much of the journal's end is read for what happened since the
// state was saved, 4 MiB: some fifteen thousand lines, of the last second or so.
const catchUpBytes = 4 << 20

// catchUp takes the lines of rig at the end of the journal into saved. With unseen,
// what they tell was acknowledged by nobody.
func catchUp(saved *alarms.Saved, rig, path string, unseen bool) error {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("catch up with the journal: %w", err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return fmt.Errorf("catch up with the journal: %w", err)
	}
	from := max(0, st.Size()-catchUpBytes)
	for line, err := range Read(io.NewSectionReader(f, from, st.Size()-from)) {
		if damage := new(Damage); errors.As(err, &damage) {
			continue // the first is cut, another may be torn
		}
		if err != nil {
			return fmt.Errorf("catch up with the journal: %w", err)
		}
		take(saved, rig, &line.Event, unseen)
	}
	return nil
}

func take(saved *alarms.Saved, rig string, e *alarms.Event, unseen bool) {
	rule, known := alarms.Lookup(e.Alarm)
	if e.Rig != rig || !known || e.Event == alarms.EventRefused || e.Event == alarms.EventLimitChanged {
		return
	}
	key := alarms.Key{Alarm: e.Alarm, Channel: e.Channel}
	a, stands := saved.Alarms[key]
	if !stands && e.Occurrence == 0 {
		return
	}
	if a = rule.CatchUp(a, e); unseen {
		a = a.Unseen()
	}
	saved.Alarms[key] = a
}
