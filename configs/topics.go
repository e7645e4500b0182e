package configs

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"hoistward/ingest"
)

// payloads are those that a source may have.
var payloads = []ingest.Payload{ingest.JSON, ingest.NumberText, ingest.Lines, ingest.Sparkplug}

func readPayload(o *object, standard ingest.Payload) ingest.Payload {
	names := make([]string, len(payloads))
	for i, p := range payloads {
		names[i] = p.String()
	}
	if i, ok := o.choice("payload", false, names...); ok {
		return payloads[i]
	}
	return standard
}

// topics gathers, channel by channel, where the channels of one source come.
type topics struct {
	source *Source
	topics []ingest.Topic
	first  []ingest.Channel // the channel that each topic was met at
	fields [][]readField    // of each topic
}

// readField is a field of a message and what is read from it.
type readField struct {
	path []ingest.FieldStep
	what string
}

func topicsOf(s *Source) *topics { return &topics{source: s} }

// channel reads one channel and finds its topic a place.
func (t *topics) channel(o *object, c ingest.Channel) {
	s := t.source
	m := readChannel(o, c)
	if s.Payload == ingest.Sparkplug {
		t.metric(o, m, c)
		return
	}
	pattern := s.Topic
	if own := readTopic(o, false); own != "" {
		pattern = own
	}
	at := ingest.Topic{Pattern: pattern, Payload: readPayload(o, s.Payload), Clock: s.Mapping.Clock}
	if s.Mapping.RigField != "" && at.Payload != ingest.JSON {
		o.r.add(o.line, o.path, strconv.Quote(at.Payload.String()), "json, as rig_field names the rig in each message")
	}
	if at.Payload == ingest.Sparkplug {
		o.r.add(o.r.lineOf(o.at("payload")), o.at("payload"), `"sparkplug"`, "it for the whole source, beside kind")
	}
	if at.Payload == ingest.NumberText { // a number alone carries no time
		at.Clock = ingest.ReceiptClock
		o.refuse("it only where messages have fields: here they are plain numbers", "field")
		if i, ok := o.choice("clock", false, "source", "receipt"); ok && i == 0 {
			o.r.add(o.r.lineOf(o.at("clock")), o.at("clock"), `"source"`, `"receipt": a plain number carries no time`)
		}
	} else if i, ok := o.choice("clock", false, "source", "receipt"); ok {
		at.Clock = ingest.Clock(i)
	}
	m.Topic = t.place(o, at, c)
	t.field(o, m.Topic, m.Field, c)
	s.Mapping.Channels[c] = m
	o.close()
}

// metric takes a channel that is read from a metric of Sparkplug B.
func (t *topics) metric(o *object, m ingest.ChannelMap, c ingest.Channel) {
	o.refuse("none with payload sparkplug: field is the metric's name", "topic", "payload", "clock")
	if len(t.fields) == 0 {
		t.fields = append(t.fields, nil)
	}
	path := []ingest.FieldStep{{Key: m.Field, Name: true}} // a metric's name is taken as it stands
	for _, other := range t.fields[0] {
		if ingest.Within(path, other.path) {
			o.r.add(o.r.lineOf(o.at("field")), o.at("field"), fmt.Sprintf("%q, which %s is read from", m.Field, other.what), "a metric of its own")
		}
	}
	t.fields[0] = append(t.fields[0], readField{path, c.String()})
	if s := t.source.Sparkplug; s != nil && s.Device == anyDevice && !strings.Contains(m.Field, "/") {
		o.r.add(o.r.lineOf(o.at("field")), o.at("field"), strconv.Quote(m.Field), "the device, a slash and the metric's name, as sparkplug.device is +")
	}
	t.source.Mapping.Channels[c] = m
	o.close()
}

// place returns the index of the topic, which is new or has been met.
func (t *topics) place(o *object, at ingest.Topic, c ingest.Channel) int {
	i := slices.IndexFunc(t.topics, func(other ingest.Topic) bool { return other.Pattern == at.Pattern })
	if i < 0 {
		t.topics, t.first = append(t.topics, at), append(t.first, c)
		t.fields = append(t.fields, nil)
		if path, err := ingest.ParseField(t.source.Mapping.TimeField); err == nil && at.Clock == ingest.SourceClock && at.Payload != ingest.Lines {
			t.fields[len(t.fields)-1] = []readField{{path, "the time"}}
		}
		if path, err := ingest.ParseField(t.source.Mapping.RigField); err == nil && t.source.Mapping.RigField != "" {
			t.fields[len(t.fields)-1] = append(t.fields[len(t.fields)-1], readField{path, "the rig's name"})
		}
		return len(t.topics) - 1
	}
	bad := func(key, got, want string) {
		o.r.add(o.r.lineOf(o.at(key)), o.at(key), got, want)
	}
	switch other := t.topics[i]; {
	case at.Pattern == "":
	case other.Payload != at.Payload:
		bad("payload", strconv.Quote(at.Payload.String()), fmt.Sprintf("%q, as %s has on the same topic", other.Payload, t.first[i]))
	case at.Payload == ingest.NumberText:
		bad("topic", fmt.Sprintf("%q, which %s is read from", at.Pattern, t.first[i]), "a topic of its own: a plain number is of one channel")
	case other.Clock != at.Clock:
		bad("clock", "another clock than "+t.first[i].String()+" has on the same topic", "one clock a topic")
	}
	return i
}

func (t *topics) field(o *object, topic int, field string, c ingest.Channel) {
	if t.topics[topic].Payload == ingest.NumberText {
		return
	}
	at := o.at("field")
	path, err := ingest.ParseField(field)
	if t.topics[topic].Payload == ingest.Lines { // a key as it stands, or measurement.key
		path, err = []ingest.FieldStep{{Key: field, Name: true}}, nil
	}
	if err != nil {
		o.r.add(o.r.lineOf(at), at, strconv.Quote(field), wantField)
		return
	}
	for _, other := range t.fields[topic] {
		if ingest.Within(path, other.path) {
			o.r.add(o.r.lineOf(at), at, fmt.Sprintf("%q, which %s is read from", field, other.what), "a field of its own")
			return
		}
	}
	t.fields[topic] = append(t.fields[topic], readField{path, c.String()})
}

// wantField is what a field may be.
const wantField = "a key such as hook_load, a path such as data.sensors[2].value, or a JSON Pointer such as /data/sensors/2/value"

// readRigField reads where a message names its rig itself.
func readRigField(o *object, s *Source) {
	if s.Sparkplug != nil {
		o.refuse("none with payload sparkplug: the topic names the rig", "rig_field")
		return
	}
	text, ok := o.words("rig_field", false, wantField)
	if !ok {
		return
	}
	if _, err := ingest.ParseField(text); err != nil {
		o.r.add(o.r.lineOf(o.at("rig_field")), o.at("rig_field"), strconv.Quote(text), wantField)
		return
	}
	s.Mapping.RigField = text
}

// needTopic reports that a source has no topic though a channel needs one.
func (o *object) needTopic(s *Source) {
	needs := func(t ingest.Topic) bool { return t.Pattern == "" }
	if len(s.Mapping.Topics) == 0 || slices.ContainsFunc(s.Mapping.Topics, needs) {
		o.r.add(o.line, o.at("topic"), "nothing", wantTopic)
	}
}
