package payload

import (
	"bytes"
	"fmt"
	"strconv"

	"hoistward/ingest"
)

// longestNumber is the most text that is read as one number, in bytes.
const longestNumber = 64

// Number decodes messages that are one number alone, such as 1471.25, -3 or 1.2e3,
// of one channel. Spaces and line ends around it are let pass; true and false are
// taken for a channel that is on or off, and null for "no value". The reading
// bears the moment of receipt.
type Number struct {
	mapping *ingest.Mapping
	channel ingest.Channel
	sample  ingest.Sample
}

// NewNumber returns a decoder for the one channel of m.
func NewNumber(m *ingest.Mapping) (*Number, error) {
	d := &Number{mapping: m, channel: ingest.NumChannels}
	for c := range ingest.NumChannels {
		if !m.Channels[c].Mapped {
			continue
		}
		if d.channel != ingest.NumChannels {
			return nil, fmt.Errorf("mapping: got %s and %s in one plain number, want one channel", d.channel, c)
		}
		d.channel = c
	}
	if d.channel == ingest.NumChannels {
		return nil, fmt.Errorf("mapping: got no channel for a plain number, want one")
	}
	return d, nil
}

// Decode reads one message. What is no number becomes "no value" for its reason,
// not the number before.
func (d *Number) Decode(m *ingest.Message, out ingest.Sink) {
	text := bytes.TrimSpace(m.Payload)
	switch {
	case len(text) == 0:
		out.Reject(m.Rig, ingest.RejectEmpty, "")
		return
	case len(text) > longestNumber:
		out.Reject(m.Rig, ingest.RejectTooLarge, strconv.Itoa(len(m.Payload))+" bytes where a number should be")
		return
	}
	v := d.value(text)
	if v.Quality == ingest.Bad {
		out.Reject(m.Rig, v.Reason.Reject(), d.channel.String()+": "+head(text))
	}
	d.sample = ingest.Sample{Time: m.Received.UTC()}
	d.sample.Set(d.channel, v)
	out.Sample(m.Rig, &d.sample)
}

func (d *Number) value(text []byte) ingest.Value {
	switch word := string(text); {
	case word == "null":
		return ingest.BadValue(ingest.Null)
	case word == "true" && d.channel.OnOff():
		return d.mapping.Convert(d.channel, 1)
	case word == "false" && d.channel.OnOff():
		return d.mapping.Convert(d.channel, 0)
	case !decimal(text):
		return ingest.BadValue(ingest.NotANumber)
	default:
		x, err := strconv.ParseFloat(word, 64)
		if err != nil {
			return ingest.BadValue(ingest.NotANumber)
		}
		return d.mapping.Convert(d.channel, x)
	}
}

// decimal tells whether b holds nothing but what a decimal number is written with:
// ParseFloat also takes hexadecimal, underscores and words.
func decimal(b []byte) bool {
	for _, c := range b {
		if (c < '0' || c > '9') && c != '.' && c != '+' && c != '-' && c != 'e' && c != 'E' {
			return false
		}
	}
	return true
}
