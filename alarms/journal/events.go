package journal

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"hoistward/alarms"
)

// Events reads the journal at path and returns what it says of the given rigs (none =
// all), from from (included) to to (not included): the newest most of it, oldest first.
// more counts those before them, damaged the lines that are no events. Memory does not
// grow with the journal.
func Events(path string, rigs []string, from, to time.Time, most int) (events []alarms.Event, more, damaged int, err error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, 0, 0, fmt.Errorf("alarm events: %w", err)
	}
	defer file.Close()
	next := 0 // where the oldest stands, once there are most of them
	for line, err := range Read(file) {
		if damage := new(Damage); errors.As(err, &damage) {
			damaged++
			continue
		}
		if err != nil {
			return nil, 0, damaged, fmt.Errorf("alarm events: %w", err)
		}
		e := line.Event
		if e.Time.Before(from) || !e.Time.Before(to) || len(rigs) > 0 && !slices.Contains(rigs, e.Rig) {
			continue
		}
		switch {
		case len(events) < most:
			events = append(events, e)
			continue
		case most > 0:
			events[next] = e
			next = (next + 1) % most
		}
		more++
	}
	return slices.Concat(events[next:], events[:next]), more, damaged, nil
}
