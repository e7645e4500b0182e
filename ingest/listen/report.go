package listen

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"hoistward/ingest"
)

// Report is what came from one source.
type Report struct {
	Source   string      `json:"source"`
	State    string      `json:"state"`
	Detail   string      `json:"detail,omitempty"`
	Messages uint64      `json:"messages"`
	PerS     float64     `json:"per_s"` // 0 where fewer than two came
	Clock    *Clock      `json:"clock_offset,omitempty"`
	Rigs     []RigReport `json:"rigs"`
	Rejects  []Count     `json:"rejects"`
	Unmapped []Field     `json:"unmapped_fields,omitempty"`
	Unread   []Unread    `json:"unread_topics,omitempty"`
}

// Clock is how far a source's clock is ahead of this machine's by its newest stamps, s,
// those beyond the site file's limits among them.
type Clock struct {
	Median float64 `json:"median_s"`
	Least  float64 `json:"least_s"`
	Most   float64 `json:"most_s"`
}

// RigReport is what came of one rig.
type RigReport struct {
	Rig      string          `json:"rig"`
	Known    bool            `json:"known"` // it has a rig file
	Samples  uint64          `json:"samples"`
	OffsetS  *float64        `json:"clock_offset_s,omitempty"` // stamp less receipt, of the newest; none with the receipt's clock
	Channels []ChannelReport `json:"channels"`
	Missing  []Missing       `json:"missing,omitempty"`
}

// ChannelReport is one channel of a rig that came.
type ChannelReport struct {
	Channel string   `json:"channel"`
	Value   *float64 `json:"value"` // in Unit, after scale and shift; null = no value
	Unit    string   `json:"unit,omitempty"`
	SI      *float64 `json:"si"`
	Quality string   `json:"quality"`
	Reason  string   `json:"reason,omitempty"`
	AgeS    float64  `json:"age_s"` // since receipt
	PerS    float64  `json:"per_s"` // 0 where fewer than two came
	N       uint64   `json:"readings"`
	Bad     uint64   `json:"without_value"`
}

// Missing is a mapped channel that never came, and where it was looked for.
type Missing struct {
	Channel string `json:"channel"`
	Topic   string `json:"topic,omitempty"`
	Field   string `json:"field,omitempty"`
}

// Count is how often something was not used.
type Count struct {
	Reason  string `json:"reason"`
	N       uint64 `json:"count"`
	Example string `json:"example,omitempty"`
}

// Field is a field of the messages that no channel is read from.
type Field struct {
	Field string `json:"field"`
	N     uint64 `json:"count"`
}

// Unread is a topic that no channel is read from.
type Unread struct {
	Topic   string `json:"topic"`
	N       uint64 `json:"count"`
	Example string `json:"example"`
	Hint    string `json:"hint"`
}

// Report returns what came, as seen at now, with the state of the link.
func (s *Source) Report(now time.Time, state, detail string) Report {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := Report{Source: s.name, State: state, Detail: detail, Messages: s.messages,
		PerS: rate(s.messages, s.first, s.newest), Rigs: []RigReport{}, Rejects: []Count{}}
	if o, ok := s.offsets.Now(); ok {
		r.Clock = &Clock{o.Median.Seconds(), o.Least.Seconds(), o.Most.Seconds()}
	}
	names := slices.Collect(maps.Keys(s.rigs))
	for name := range s.known {
		if s.rigs[name] == nil {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range names {
		r.Rigs = append(r.Rigs, s.rigReport(name, now))
	}
	for reason := range s.rejects {
		if t := &s.rejects[reason]; t.n > 0 {
			r.Rejects = append(r.Rejects, Count{ingest.Reject(reason).String(), t.n, t.example})
		}
	}
	for field, n := range s.fields {
		r.Unmapped = append(r.Unmapped, Field{field, n})
	}
	slices.SortFunc(r.Unmapped, func(a, b Field) int { return cmp.Compare(a.Field, b.Field) })
	for topic, t := range s.topics {
		r.Unread = append(r.Unread, Unread{printable(topic), t.n, t.example, s.hint(topic)})
	}
	slices.SortFunc(r.Unread, func(a, b Unread) int { return cmp.Compare(a.Topic, b.Topic) })
	return r
}

func (s *Source) rigReport(name string, now time.Time) RigReport {
	out := RigReport{Rig: printable(name), Known: s.known[name], Channels: []ChannelReport{}}
	r := s.rigs[name]
	if r == nil {
		r = &rig{}
	}
	out.Samples = r.samples
	if r.stamped && s.mapping.Clock == ingest.SourceClock {
		offset := r.offset.Seconds()
		out.OffsetS = &offset
	}
	for c := range ingest.NumChannels {
		m := &s.mapping.Channels[c]
		switch ch := &r.channels[c]; {
		case ch.n > 0:
			out.Channels = append(out.Channels, s.channelReport(c, ch, now))
		case m.Mapped:
			miss := Missing{Channel: c.String(), Field: m.Field}
			if m.Topic < len(s.mapping.Topics) {
				t := s.mapping.Topics[m.Topic]
				miss.Topic = t.Pattern
				if t.Payload == ingest.NumberText {
					miss.Field = ""
				}
			}
			out.Missing = append(out.Missing, miss)
		}
	}
	return out
}

func (s *Source) channelReport(c ingest.Channel, ch *channel, now time.Time) ChannelReport {
	out := ChannelReport{
		Channel: c.String(), Quality: ch.value.Quality.String(), Reason: ch.value.Reason.String(),
		AgeS: now.Sub(ch.newest).Seconds(), PerS: rate(ch.n, ch.first, ch.newest), N: ch.n, Bad: ch.bad,
	}
	unit := s.mapping.Channels[c].Unit
	out.Unit = unit.Symbol
	if v, ok := ch.value.Float(); ok {
		shown := v
		if unit.Factor != 0 {
			shown = unit.FromSI(v)
		}
		out.Value, out.SI = &shown, &v
	}
	return out
}

// rate is the number a second of n things between the first and the newest.
func rate(n uint64, first, newest time.Time) float64 {
	if d := newest.Sub(first).Seconds(); n > 1 && d > 0 {
		return float64(n-1) / d
	}
	return 0
}
