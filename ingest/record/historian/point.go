package historian

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"hoistward/ingest"
	"hoistward/ingest/record"
)

// point is one line that is not written yet.
type point struct {
	rig         string
	seq         uint64
	measurement string
	tags        []tag // in order of key
	fields      []field
	at          time.Time
}

type tag struct{ key, value string }

type field struct {
	name  string
	value lineprotocol.Value
}

// number adds a float field. What is not finite is no field.
func (p *point) number(name string, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	value, ok := lineprotocol.FloatValue(v)
	if ok {
		p.fields = append(p.fields, field{name, value})
	}
}

func (p *point) text(name, s string) {
	if value, ok := lineprotocol.StringValue(s); ok && s != "" {
		p.fields = append(p.fields, field{name, value})
	}
}

// line returns the point as line protocol, without a newline.
func (p *point) line(e *lineprotocol.Encoder) (string, error) {
	e.Reset()
	e.SetPrecision(lineprotocol.Nanosecond)
	e.StartLine(p.measurement)
	for _, t := range p.tags {
		e.AddTag(t.key, t.value)
	}
	for _, f := range p.fields {
		e.AddField(f.name, f.value)
	}
	e.EndLine(p.at)
	if err := e.Err(); err != nil {
		return "", err
	}
	b := e.Bytes()
	for len(b) > 0 && b[len(b)-1] == '\n' {
		b = b[:len(b)-1]
	}
	return string(b), nil
}

// only returns the point with one of its fields.
func (p *point) only(i int) point {
	q := *p
	q.fields = p.fields[i : i+1]
	return q
}

const (
	hoistMeasurement = "hoist"
	alarmMeasurement = "alarm"
)

// channelFields are the names of a channel's fields.
var channelFields = func() (names [ingest.NumChannels][3]string) {
	for c := range ingest.NumChannels {
		names[c] = [3]string{c.String(), c.String() + "_quality", c.String() + "_reason"}
	}
	return names
}()

// sampleOf makes a point of a reading; without fields where the reading had none.
// Its time is the source's, or that of receipt where the source gave none.
func sampleOf(e *ingest.Entry) point {
	p := point{rig: e.Rig, seq: e.Seq, measurement: hoistMeasurement, tags: []tag{{"rig", e.Rig}}, at: e.Sample.Time}
	if p.at.IsZero() {
		p.at = e.Received
	}
	for c := range ingest.NumChannels {
		if !e.Sample.Named(c) {
			continue
		}
		v := e.Sample.Values[c]
		if x, ok := v.Float(); ok {
			p.number(channelFields[c][0], x)
		}
		if v.Quality != ingest.Good || v.Reason != ingest.NoReason {
			p.number(channelFields[c][1], float64(v.Quality))
			p.number(channelFields[c][2], float64(v.Reason))
		}
	}
	return p
}

// estimateOf makes a point of the numbers of an estimate; its words stay in the
// recording. An infinity (nothing ahead) is no field, as line protocol has none.
func estimateOf(e *record.Estimate) point {
	p := point{rig: e.Rig, seq: e.Seq, measurement: hoistMeasurement, tags: []tag{{"rig", e.Rig}}, at: e.Time}
	if p.at.IsZero() {
		p.at = e.Received
	}
	for i, c := range e.Columns {
		if x, ok := e.Values[i].(float64); ok {
			p.number(c.Name, x)
		}
	}
	return p
}

// journalLine is what a point is made of, of a line of the journal.
type journalLine struct {
	Time       time.Time `json:"time"`
	Alarm      string    `json:"alarm"`
	Channel    string    `json:"channel"`
	Event      string    `json:"event"`
	State      string    `json:"state"`
	Priority   string    `json:"priority"`
	Reason     string    `json:"reason"`
	Value      *float64  `json:"value"`
	Limit      *float64  `json:"limit"`
	Unit       string    `json:"unit"`
	Occurrence float64   `json:"occurrence"`
	Person     string    `json:"person"`
}

// entriesInAMillisecond is what the part of an event's time below its own precision
// counts: the journal has milliseconds, and two events of one must stay two.
const entriesInAMillisecond = 1_000_000

func eventOf(e *record.Event) (point, error) {
	var l journalLine
	if err := json.Unmarshal(e.Line, &l); err != nil {
		return point{}, fmt.Errorf("got a journal line that is no JSON: %w", err)
	}
	if l.Time.IsZero() || l.Alarm == "" || l.Event == "" {
		return point{}, fmt.Errorf("got a journal line without time, alarm or event")
	}
	p := point{rig: e.Rig, seq: e.Seq, measurement: alarmMeasurement,
		at: l.Time.Truncate(time.Millisecond).Add(time.Duration(e.Seq % entriesInAMillisecond))}
	p.tags = append(p.tags, tag{"alarm", l.Alarm})
	if l.Channel != "" {
		p.tags = append(p.tags, tag{"channel", l.Channel})
	}
	p.tags = append(p.tags, tag{"event", l.Event}, tag{"rig", e.Rig})
	for _, n := range []struct {
		name string
		v    *float64
	}{{"value", l.Value}, {"limit", l.Limit}, {"occurrence", &l.Occurrence}} {
		if n.v != nil {
			p.number(n.name, *n.v)
		}
	}
	for _, t := range [][2]string{{"state", l.State}, {"priority", l.Priority}, {"reason", l.Reason}, {"unit", l.Unit}, {"person", l.Person}} {
		p.text(t[0], t[1])
	}
	return p, nil
}
