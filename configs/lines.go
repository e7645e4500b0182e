package configs

import (
	"slices"

	"hoistward/ingest"
)

// Lines says of messages of line protocol what they do not say themselves.
type Lines struct {
	Precision string // of their times: "ns", "us", "ms" or "s"
	RigTag    string // the tag that names the rig; empty = the topic does
}

// readLines reads the group of keys of a source that has a topic of line protocol.
func readLines(o *object, s *Source) {
	s.Lines = Lines{Precision: "ns"}
	used := slices.ContainsFunc(s.Mapping.Topics, func(t ingest.Topic) bool { return t.Payload == ingest.Lines })
	if !used {
		o.refuse("it only with payload: lines", "lines")
		o.ask("lines")
		return
	}
	g := o.child("lines", false)
	precisions := []string{"ns", "us", "ms", "s"}
	if i, ok := g.choice("precision", false, precisions...); ok {
		s.Lines.Precision = precisions[i]
	}
	s.Lines.RigTag, _ = g.words("rig_tag", false, "the key of a tag")
	g.close()
}
