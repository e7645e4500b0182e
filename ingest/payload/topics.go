package payload

import (
	"strconv"

	"hoistward/ingest"
)

// Decoder turns a message into samples and rejects.
type Decoder interface {
	Decode(m *ingest.Message, out ingest.Sink)
}

// ByTopic hands each message to the decoder of its topic, in the order of
// Mapping.Topics.
type ByTopic []Decoder

// Decode reads one message. One whose topic is none of the mapping's is rejected.
func (d ByTopic) Decode(m *ingest.Message, out ingest.Sink) {
	if m.Pattern < 0 || m.Pattern >= len(d) {
		out.Reject(m.Rig, ingest.RejectBadTopic, strconv.Quote(m.Topic))
		return
	}
	d[m.Pattern].Decode(m, out)
}
