package journal

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"hoistward/alarms"
)

// Figures reads the journal at path and measures what it says of the alarms of one
// operator position, the given rigs (none = all), from from (included) to to (not
// included). damaged counts the lines that are no events.
func Figures(path string, rigs []string, from, to time.Time) (f alarms.Figures, damaged int, err error) {
	file, err := os.Open(path)
	if err != nil {
		return f, 0, fmt.Errorf("alarm figures: %w", err)
	}
	defer file.Close()
	var events []alarms.Event
	for line, err := range Read(file) {
		if damage := new(Damage); errors.As(err, &damage) {
			damaged++
			continue
		}
		if err != nil {
			return f, damaged, fmt.Errorf("alarm figures: %w", err)
		}
		e := line.Event
		if counts(e.Event) && e.Time.Before(to) && (len(rigs) == 0 || slices.Contains(rigs, e.Rig)) {
			e.Reason, e.Person = "", "" // not measured, and most of the room
			events = append(events, e)
		}
	}
	return alarms.Measure(slices.Values(events), from, to), damaged, nil
}

// counts tells whether Measure looks at events of this kind.
func counts(k alarms.EventKind) bool {
	switch k {
	case alarms.EventRaised, alarms.EventCleared, alarms.EventWorsened, alarms.EventAcknowledged:
		return true
	}
	return false
}
