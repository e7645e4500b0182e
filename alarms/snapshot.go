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

// stateVersion is the form of the saved state; a change of meaning takes a new one.
const stateVersion = 1

type savedState struct {
	Version int             `json:"version"`
	CRC32   string          `json:"crc32"` // IEEE, of the bytes of Alarms, eight hex digits
	Alarms  json.RawMessage `json:"alarms"`
}

type savedAlarm struct {
	Alarm   string `json:"alarm"`
	Channel string `json:"channel,omitempty"`
	State   Alarm  `json:"is"`
}

// MarshalState writes the state of all alarms of a rig as one line of JSON, the same
// bytes for the same state.
func MarshalState(state map[Key]Alarm) ([]byte, error) {
	list := make([]savedAlarm, 0, len(state))
	for _, k := range slices.SortedFunc(maps.Keys(state), Key.Compare) {
		s := savedAlarm{k.Alarm, k.Channel, state[k]}
		if err := s.check(); err != nil {
			return nil, fmt.Errorf("save alarm state: %w", err)
		}
		list = append(list, s)
	}
	body, err := json.Marshal(list)
	if err != nil {
		return nil, fmt.Errorf("save alarm state: %w", err)
	}
	return json.Marshal(savedState{stateVersion, checksum(body), body})
}

func checksum(b []byte) string { return fmt.Sprintf("%08x", crc32.ChecksumIEEE(b)) }

// UnmarshalState reads what MarshalState wrote. Anything else is an error (a torn
// or altered file, another version, a state that cannot be): set the file aside, begin
// with nothing, and say so.
func UnmarshalState(b []byte) (map[Key]Alarm, error) {
	var saved savedState
	if err := strictly(b, &saved); err != nil {
		return nil, fmt.Errorf("alarm state: %w", err)
	}
	if saved.Version != stateVersion {
		return nil, fmt.Errorf("alarm state: version %d, want %d", saved.Version, stateVersion)
	}
	if sum := checksum(saved.Alarms); sum != saved.CRC32 {
		return nil, fmt.Errorf("alarm state: crc32 of the alarms is %s, the file says %q: it was altered or torn", sum, saved.CRC32)
	}
	var list []savedAlarm
	if err := strictly(saved.Alarms, &list); err != nil {
		return nil, fmt.Errorf("alarm state: %w", err)
	}
	state := make(map[Key]Alarm, len(list))
	for _, s := range list {
		k := Key{s.Alarm, s.Channel}
		if _, twice := state[k]; twice {
			return nil, fmt.Errorf("alarm state: %s stands twice", k)
		}
		if err := s.check(); err != nil {
			return nil, fmt.Errorf("alarm state: %w", err)
		}
		state[k] = s.State
	}
	return state, nil
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
