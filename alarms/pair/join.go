package pair

import (
	"fmt"
	"time"

	"hoistward/alarms"
)

// joinSlack is how far the two members' times of one raising may be apart, by which an
// acknowledgement is told from one of an earlier occurrence. Chosen here.
const joinSlack = 2 * time.Second

// Standing is an alarm that a rig stands with, as the broker keeps it.
type Standing struct {
	Alarm
	State   string         `json:"state"`
	Beneath string         `json:"beneath"` // while State is of its hiding, what is hidden; else empty
	Raised  alarms.Instant `json:"raised"`
}

// Join takes into a saved state what came while this member was away: an alarm that
// somebody acknowledged here, and that was raised anew since and acknowledged by nobody,
// is unacknowledged here too.
func Join(state string, standing []Standing) (string, error) {
	if state == "" {
		return state, nil
	}
	saved, err := alarms.UnmarshalState([]byte(state))
	if err != nil {
		return "", fmt.Errorf("join the pair: %w", err)
	}
	changed := false
	for _, s := range standing {
		key := alarms.Key{Alarm: s.Alarm.Alarm, Channel: s.Channel}
		a, known := saved.Alarms[key]
		news := s.State == alarms.Unacknowledged.String() || s.State == alarms.LatchedUnacknowledged.String()
		if !known || a.AcknowledgedBy == "" || !news || s.Raised <= alarms.At(a.Raised.Time().Add(joinSlack)) {
			continue
		}
		a = a.Unseen()
		a.Raised = s.Raised
		a.Occurrence++
		a.Version++
		saved.Alarms[key], changed = a, true
	}
	if !changed {
		return state, nil
	}
	b, err := alarms.MarshalState(&saved)
	return string(b), err
}
