package payload

import "hoistward/ingest"

// rigName is what an object says of whose it is.
type rigName struct {
	name  string
	times int
	known map[string]string // names that came, so that the next message needs no new one
}

// Of names that are kept.
const (
	keptNames   = 4096
	longestName = 64 // bytes
)

func (r *rigName) clear() { r.name, r.times = "", 0 }

// take reads a name; nil = what stands there is no text.
func (r *rigName) take(text []byte) {
	r.times++
	if known, ok := r.known[string(text)]; ok {
		r.name = known
		return
	}
	r.name = string(text)
	if len(text) == 0 || len(text) > longestName || len(r.known) >= keptNames {
		return
	}
	if r.known == nil {
		r.known = map[string]string{}
	}
	r.known[r.name] = r.name
}

// reject says why no rig is named; Used = one is.
func (r *rigName) reject() ingest.Reject {
	switch {
	case r.times > 1:
		return ingest.RejectDuplicateKey
	case r.name == "" || len(r.name) > longestName:
		return ingest.RejectUnknownRig
	}
	return ingest.Used
}

// rigOf returns whose the object at hand is.
func (d *JSON) rigOf(m *ingest.Message) string {
	switch {
	case d.mapping.RigField == "":
		return m.Rig
	case d.rig.reject() != ingest.Used:
		return ""
	}
	return d.rig.name
}
