package notify

import (
	"encoding/json"
	"fmt"
	"hash/crc32"
	"math"
	"strconv"
	"time"

	"hoistward/alarms"
	"hoistward/alarms/watch"
)

// snapshot is the standing alarms of a rig at one moment, made by the loop.
type snapshot struct {
	rig      string
	asOf     time.Time
	seq      int64 // the journal's length after the newest event that is in it
	standing []watch.Standing
	putAside []watch.Standing
}

func snapshotOf(w *watch.Rig, seq int64) *snapshot {
	return &snapshot{rig: w.Name(), asOf: w.Now(), seq: seq, standing: w.Standing(), putAside: w.PutAside()}
}

// stateEvery is how often a state is sent again without a change, so that one that is
// no longer kept up can be told from one that is.
const stateEvery = 30 * time.Second

// rigState is what the topic of a rig's alarms holds.
type rigState struct {
	Rig      string          `json:"rig"`
	Site     string          `json:"site"`
	AsOf     string          `json:"as_of"`
	Repeats  float64         `json:"repeats_s"` // s; a state older than three times this is not to be relied on
	Journal  string          `json:"journal"`
	Seq      int64           `json:"seq"`         // events up to this number are in it
	Passed   uint64          `json:"passed_over"` // events that were not sent, since the destination was set up
	Standing []standingState `json:"standing"`
	PutAside []standingState `json:"put_aside"` // shelved or out of service, whatever lies underneath
}

type standingState struct {
	Alarm          string         `json:"alarm"`
	Channel        string         `json:"channel,omitempty"`
	Title          string         `json:"title"`
	State          string         `json:"state"`
	Beneath        string         `json:"beneath,omitempty"` // while State is suppressed, shelved or out of service: the state that is hidden
	Priority       string         `json:"priority"`
	Reason         string         `json:"reason"`
	Value          *float64       `json:"value"`
	Limit          *float64       `json:"limit"`
	Unit           string         `json:"unit"`
	Occurrence     uint64         `json:"occurrence"`
	Version        uint64         `json:"version"`
	Since          alarms.Instant `json:"since"`
	Raised         alarms.Instant `json:"raised"`
	Sounds         bool           `json:"sounds"`
	InputBad       bool           `json:"input_bad"`
	AcknowledgedBy string         `json:"acknowledged_by,omitempty"`
	ShelvedUntil   alarms.Instant `json:"shelved_until,omitempty"`
	Hides          int            `json:"hides,omitempty"`
}

// timeForm is the journal's.
const timeForm = "2006-01-02T15:04:05.000Z"

func (s *snapshot) encode(site, journal string, passed uint64) ([]byte, error) {
	return json.Marshal(rigState{
		Rig: s.rig, Site: site, AsOf: s.asOf.UTC().Format(timeForm), Repeats: stateEvery.Seconds(),
		Journal: journal, Seq: s.seq, Passed: passed, Standing: states(s.standing), PutAside: states(s.putAside),
	})
}

func states(list []watch.Standing) []standingState {
	out := make([]standingState, 0, len(list))
	for i := range list {
		s := &list[i]
		a := s.Alarm
		beneath := ""
		if a.Shown() != a.State {
			beneath = a.State.String()
		}
		out = append(out, standingState{
			Alarm: s.Rule.Name, Channel: s.Channel, Title: s.Rule.Title, State: a.Shown().String(), Beneath: beneath, Priority: a.Priority.String(),
			Reason: s.Reason, Value: number(s.Finding.Value), Limit: number(s.Finding.Limit), Unit: s.Finding.Unit,
			Occurrence: a.Occurrence, Version: a.Version, Since: a.Since, Raised: a.Raised,
			Sounds: a.Sounds(), InputBad: a.InputBad, AcknowledgedBy: a.AcknowledgedBy, ShelvedUntil: a.ShelvedUntil, Hides: s.Hides,
		})
	}
	return out
}

// number returns v, nil where it is not known.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// numbered returns the journal's line with the event's id and number as last keys. The
// id holds the line's CRC-32 too: after a loss of power another line may come to stand
// at the same place.
// One of a pair names itself; what the other member told stands as it told it.
func numbered(r *record, member string) []byte {
	if r.whole {
		return r.line
	}
	b := make([]byte, 0, len(r.line)+96)
	b = append(b, r.line[:len(r.line)-1]...)
	if member != "" {
		b = append(append(append(b, `,"member":"`...), member...), '"')
	}
	b = append(b, `,"id":"`...)
	if r.id != "" {
		b = append(b, r.id...)
	} else {
		b = append(b, r.ownID()...)
	}
	b = append(b, `","seq":`...)
	b = strconv.AppendInt(b, r.seq, 10)
	return append(b, '}')
}

// ownID names an event by this monitor's journal.
func (r *record) ownID() string {
	return fmt.Sprintf("%s-%d-%08x", r.journal, r.seq, crc32.ChecksumIEEE(r.line))
}
