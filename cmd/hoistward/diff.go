package main

import (
	"fmt"
	"io"
	"time"

	"hoistward/alarms"
)

// The two sides of a comparison.
const (
	recorded = iota
	whatIf
)

// diff holds when each alarm was first raised on the two sides, occurrence by
// occurrence.
type diff struct {
	order []diffKey
	at    map[diffKey]*[2]time.Time
}

type diffKey struct {
	rig, alarm, channel string
	occurrence          uint64
}

func newDiff() *diff { return &diff{at: map[diffKey]*[2]time.Time{}} }

func (d *diff) add(e *alarms.Event, side int) {
	if e.Event != alarms.EventRaised {
		return
	}
	k := diffKey{e.Rig, e.Alarm, e.Channel, e.Occurrence}
	times := d.at[k]
	if times == nil {
		times = &[2]time.Time{}
		d.at[k] = times
		d.order = append(d.order, k)
	}
	times[side] = e.Time
}

// write says of each occurrence whether it comes, goes, moves or stays.
func (d *diff) write(w io.Writer) error {
	for _, k := range d.order {
		t := d.at[k]
		name := k.rig + " " + k.alarm
		if k.channel != "" {
			name += " " + k.channel
		}
		var err error
		switch move := t[whatIf].Sub(t[recorded]); {
		case t[recorded].IsZero():
			_, err = fmt.Fprintf(w, "%s %d: comes at %s\n", name, k.occurrence, clockText(t[whatIf]))
		case t[whatIf].IsZero():
			_, err = fmt.Fprintf(w, "%s %d: goes, was at %s\n", name, k.occurrence, clockText(t[recorded]))
		case move == 0:
			_, err = fmt.Fprintf(w, "%s %d: stays at %s\n", name, k.occurrence, clockText(t[whatIf]))
		default:
			_, err = fmt.Fprintf(w, "%s %d: %+.2f s, from %s to %s\n", name, k.occurrence, move.Seconds(), clockText(t[recorded]), clockText(t[whatIf]))
		}
		if err != nil {
			return err
		}
	}
	if len(d.order) == 0 {
		_, err := fmt.Fprintln(w, "no alarm on either side")
		return err
	}
	return nil
}

func clockText(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }
