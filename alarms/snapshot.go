package alarms

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"maps"
	"slices"
	"unicode/utf8"
)

// Key names one alarm of a rig.
type Key struct {
	Alarm   string // name in the catalogue
	Channel string // for alarms of one channel; else empty
}

// String returns the key as one word: "overhoist", "reading_lost/hook_load".
func (k Key) String() string {
	if k.Channel == "" {
		return k.Alarm
	}
	return k.Alarm + "/" + k.Channel
}

// Compare orders keys by alarm, then channel.
func (k Key) Compare(l Key) int {
	return cmp.Or(cmp.Compare(k.Alarm, l.Alarm), cmp.Compare(k.Channel, l.Channel))
}

// Saved is what a rig carries over a restart.
type Saved struct {
	At      Instant // of saving; never = not known
	Alarms  map[Key]Alarm
	Limits  []Limit // in force when it was saved
	Service Service
}

// Limit is one figure that an alarm goes by. A change of it is journalled.
type Limit struct {
	Alarm string  `json:"alarm"`
	Name  string  `json:"name"` // the rig file's key, or "on_delay", "off_delay"
	Value float64 `json:"value"`
	Unit  string  `json:"unit,omitempty"`
}

// stateVersion is the form of the saved state; a change of meaning takes a new one.
// Version 1 held the alarms alone.
const stateVersion = 2

type savedState struct {
	Version int             `json:"version"`
	CRC32   string          `json:"crc32"`            // IEEE, of the bytes of State, eight hex digits
	Alarms  json.RawMessage `json:"alarms,omitempty"` // version 1
	State   json.RawMessage `json:"state,omitempty"`
}

type savedBody struct {
	At      Instant      `json:"at,omitempty"`
	Alarms  []savedAlarm `json:"alarms"`
	Limits  []Limit      `json:"limits,omitempty"`
	Service Service      `json:"service,omitzero"`
}

type savedAlarm struct {
	Alarm   string `json:"alarm"`
	Channel string `json:"channel,omitempty"`
	State   Alarm  `json:"is"`
}

// fresh tells whether a restart without the alarm's state comes to the same: nothing
// of it is standing, pending, hidden or counted.
func (a Alarm) fresh() bool {
	return a.State <= Normal && a.Occurrence == 0 && a.TrueSince == 0 && !a.Shelved() && !a.OutOfService
}

// MarshalState writes what a rig carries over a restart as one line of JSON, the same
// bytes for the same state. An alarm that a restart would find as it is without its
// state is left out.
func MarshalState(s *Saved) ([]byte, error) {
	body := savedBody{At: s.At, Limits: s.Limits, Service: s.Service, Alarms: make([]savedAlarm, 0, len(s.Alarms))}
	for _, k := range slices.SortedFunc(maps.Keys(s.Alarms), Key.Compare) {
		a := savedAlarm{k.Alarm, k.Channel, s.Alarms[k]}
		if a.State.fresh() {
			continue
		}
		if err := a.check(); err != nil {
			return nil, fmt.Errorf("save alarm state: %w", err)
		}
		body.Alarms = append(body.Alarms, a)
	}
	text, err := json.Marshal(body)
	if err != nil {
		return nil, fmt.Errorf("save alarm state: %w", err)
	}
	// The same bytes as json.Marshal of a savedState gives, which would go through text
	// twice more: a monitor of many rigs does this all the time.
	b := make([]byte, 0, len(text)+64)
	b = fmt.Appendf(b, `{"version":%d,"crc32":%q,"state":`, stateVersion, checksum(text))
	return append(append(b, text...), '}'), nil
}

func checksum(b []byte) string { return fmt.Sprintf("%08x", crc32.ChecksumIEEE(b)) }

// UnmarshalState reads what MarshalState wrote. Anything else is an error (a torn
// or altered file, another version, a state that cannot be): set the file aside, begin
// with nothing, and say so.
func UnmarshalState(b []byte) (Saved, error) {
	body, err := unwrap(b)
	if err != nil {
		return Saved{}, fmt.Errorf("alarm state: %w", err)
	}
	s := Saved{At: body.At, Limits: body.Limits, Service: body.Service, Alarms: make(map[Key]Alarm, len(body.Alarms))}
	for _, a := range body.Alarms {
		k := Key{a.Alarm, a.Channel}
		if _, twice := s.Alarms[k]; twice {
			return Saved{}, fmt.Errorf("alarm state: %s stands twice", k)
		}
		if err := a.check(); err != nil {
			return Saved{}, fmt.Errorf("alarm state: %w", err)
		}
		s.Alarms[k] = a.State
	}
	if err := s.Service.check(); err != nil {
		return Saved{}, fmt.Errorf("alarm state: service log: %w", err)
	}
	return s, nil
}

// ErrNewerState is of a state that a newer program saved.
var ErrNewerState = errors.New("a newer hoistward saved it")

// unwrap checks the version and the checksum and returns what they guard.
func unwrap(b []byte) (savedBody, error) {
	var saved savedState
	var body savedBody
	// The version comes first: of a newer state nothing else need be as it is here.
	var of struct{ Version int }
	if json.Unmarshal(b, &of) == nil && of.Version > stateVersion {
		return body, fmt.Errorf("got version %d, want %d at most: %w", of.Version, stateVersion, ErrNewerState)
	}
	if err := strictly(b, &saved); err != nil {
		return body, err
	}
	text, to := saved.State, any(&body)
	switch saved.Version {
	case 1:
		text, to = saved.Alarms, &body.Alarms
	case stateVersion:
	default:
		return body, fmt.Errorf("got version %d, want 1 to %d", saved.Version, stateVersion)
	}
	if sum := checksum(text); sum != saved.CRC32 {
		return body, fmt.Errorf("crc32 of the state is %s, the file says %q: it was altered or torn", sum, saved.CRC32)
	}
	return body, strictly(text, to)
}

// strictly decodes one JSON value with no unknown keys and nothing after it.
func strictly(b []byte, to any) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(to); err != nil {
		return err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return errors.New("there is more after its end")
	}
	return nil
}

// check returns what is wrong with a saved alarm that Step cannot have left.
func (s savedAlarm) check() error {
	a := s.State
	wrong := ""
	switch {
	case s.Alarm == "":
		wrong = "an alarm has no name"
	case a.State > LatchedAcknowledged:
		wrong = fmt.Sprintf("state %v, want one that an alarm can be in", a.State)
	case a.Priority >= numPriorities || a.ShelvedPriority >= numPriorities || a.LowerTo >= numPriorities:
		wrong = "no such priority"
	case a.Standing() && (a.Occurrence == 0 || a.Raised == 0 || a.Priority == NoPriority):
		wrong = fmt.Sprintf("%v without an occurrence", a.State)
	case a.State != Unknown && (a.Since == 0 || a.Version == 0 || a.Evaluated == 0):
		wrong = fmt.Sprintf("%v without a time or a version", a.State)
	case a.Version < a.Occurrence:
		wrong = fmt.Sprintf("version %d below occurrence %d", a.Version, a.Occurrence)
	case a.Shelved() != (a.ShelvedBy != "") || a.Shelved() != (a.ShelvedWhy != ""):
		wrong = "shelved without a person or a reason, or these without a shelf"
	case a.OutOfService != (a.RemovedBy != "") || a.OutOfService != (a.RemovedWhy != ""):
		wrong = "out of service without a person or a reason, or these in service"
	case a.TrueSince != 0 && a.FalseSince != 0:
		wrong = "true and false at once"
	}
	for _, text := range []string{s.Alarm, s.Channel, a.AcknowledgedBy, a.ShelvedBy, a.ShelvedWhy, a.RemovedBy, a.RemovedWhy} {
		if !utf8.ValidString(text) {
			wrong = "text that is not UTF-8"
		}
	}
	if wrong == "" {
		return nil
	}
	return fmt.Errorf("%s: %s", Key{s.Alarm, s.Channel}, wrong)
}
