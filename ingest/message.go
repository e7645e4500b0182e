package ingest

import "time"

// Message is one message of a source, as it came. Whoever gets one may read it
// during the call alone, unless told otherwise.
type Message struct {
	Rig      string // that the way it came names: topic or configuration; empty = none
	Topic    string // MQTT; empty where there are no topics
	Pattern  int    // index of the topic in Mapping.Topics; -1 = of none
	Payload  []byte
	Received time.Time // by our clock
}

// Sink takes what a decoder made of a message. Both name the rig, because one
// message may speak of several, and some speak of none (empty).
type Sink interface {
	// Sample takes a sample, whose pointer is valid only during the call.
	Sample(rig string, s *Sample)
	// Reject takes one thing that was not used as it came, with an example.
	Reject(rig string, r Reject, detail string)
}

// SinkFuncs is a Sink of two functions.
type SinkFuncs struct {
	OnSample func(rig string, s *Sample)
	OnReject func(rig string, r Reject, detail string)
}

// Sample calls OnSample.
func (f SinkFuncs) Sample(rig string, s *Sample) { f.OnSample(rig, s) }

// Reject calls OnReject.
func (f SinkFuncs) Reject(rig string, r Reject, detail string) { f.OnReject(rig, r, detail) }
