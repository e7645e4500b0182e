package ingest

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// What a person can ask: of an alarm, and of the service log. The words are written
// in recordings.
const (
	DoAcknowledge     = "acknowledge"
	DoSilence         = "silence"
	DoReset           = "reset"
	DoShelve          = "shelve"
	DoUnshelve        = "unshelve"
	DoOutOfService    = "out_of_service"
	DoReturnToService = "return_to_service"

	DoCrownSaverTest = "crown_saver_test" // proof test of the crown saver
	DoBrakeTest      = "brake_test"       // holding test of the service brake
	DoLineSlipped    = "line_slipped"
	DoLineCut        = "line_cut"
	DoReferenceSet   = "reference_set" // the block stands at a known height
)

var (
	alarmActs   = []string{DoAcknowledge, DoSilence, DoReset, DoShelve, DoUnshelve, DoOutOfService, DoReturnToService}
	serviceActs = []string{DoCrownSaverTest, DoBrakeTest, DoLineSlipped, DoLineCut, DoReferenceSet}
)

// Act is what a person asked of an alarm, or entered in the service log.
type Act struct {
	Do         string    `json:"do"`
	Rig        string    `json:"rig,omitempty"`     // that the person had before them; empty = not said
	Alarm      string    `json:"alarm,omitempty"`   // snake case name
	Channel    string    `json:"channel,omitempty"` // for alarms of one channel
	Occurrence uint64    `json:"occurrence,omitempty"`
	Version    uint64    `json:"version,omitempty"`
	Person     string    `json:"person"`
	Reason     string    `json:"reason,omitempty"` // for a shelf or a time out of service; a remark in the log
	Until      time.Time `json:"until,omitzero"`   // end of a shelf
	Work       *Work     `json:"work,omitempty"`   // what was done, for the service log
}

// Work is what was tested or done on the hoist. A nil number was not stated; each act
// says in its refusal which it needs.
type Work struct {
	Passed      *bool    `json:"passed,omitempty"`
	TripHeight  *float64 `json:"trip_height_m,omitempty"`  // crown saver test: where it tripped
	RunOn       *float64 `json:"run_on_m,omitempty"`       // measured from trip to rest
	Speed       *float64 `json:"speed_mps,omitempty"`      // of the block at the trip
	Pressure    *float64 `json:"pressure_MPa,omitempty"`   // brake test: applied
	HookLoad    *float64 `json:"hook_load_kN,omitempty"`   // brake test: held; reference: as it hung
	Held        *float64 `json:"held_s,omitempty"`         // brake test: for how long
	Length      *float64 `json:"length_m,omitempty"`       // of line slipped or cut
	BlockHeight *float64 `json:"block_height_m,omitempty"` // reference: measured
	Wraps       *float64 `json:"wraps,omitempty"`          // reference: on the drum, dead wraps included
}

// OfService tells whether the act is an entry in the service log.
func (a *Act) OfService() bool { return slices.Contains(serviceActs, a.Do) }

// The longest texts of an act, in letters.
const (
	MaxPerson = 60
	MaxReason = 300
)

// Check trims the act's texts and says what is wrong with its form, whatever it is
// asked of.
func (a *Act) Check() error {
	a.Person, a.Reason = strings.TrimSpace(a.Person), strings.TrimSpace(a.Reason)
	ofAlarm := slices.Contains(alarmActs, a.Do)
	switch {
	case !ofAlarm && !a.OfService():
		return fmt.Errorf("do: got %.40q, want one of %s", a.Do, strings.Join(slices.Concat(alarmActs, serviceActs), ", "))
	case ofAlarm && a.Alarm == "":
		return errors.New("alarm: got nothing, want an alarm's name")
	case ofAlarm && a.Work != nil:
		return fmt.Errorf("work: got what was done with %q, want it with an entry in the service log", a.Do)
	case !ofAlarm && a.Alarm != "":
		return fmt.Errorf("alarm: got %.40q, want none with %s", a.Alarm, a.Do)
	case !ofAlarm && a.Work == nil:
		return fmt.Errorf("work: got nothing, want what was done with %s", a.Do)
	case a.Do == DoShelve && a.Until.IsZero():
		return errors.New("until: got nothing, want the end of the shelf, such as 2026-11-24T18:00:00Z")
	case a.Do != DoShelve && !a.Until.IsZero():
		return fmt.Errorf("until: got %s with %s, want it with %s", a.Until.Format(time.RFC3339), a.Do, DoShelve)
	case (a.Do == DoShelve || a.Do == DoOutOfService) && a.Reason == "":
		return errors.New("reason: got nothing, want why the alarm is put aside")
	case a.Person == "":
		return errors.New("person: got nothing, want the name of who asks")
	}
	return errors.Join(letters("person", a.Person, MaxPerson), letters("reason", a.Reason, MaxReason))
}

func letters(key, text string, most int) error {
	switch n := utf8.RuneCountInString(text); {
	case n > most:
		return fmt.Errorf("%s: got %d letters, want %d at most", key, n, most)
	case !utf8.ValidString(text) || strings.ContainsFunc(text, unicode.IsControl):
		return fmt.Errorf("%s: got control characters, want plain text", key)
	}
	return nil
}
