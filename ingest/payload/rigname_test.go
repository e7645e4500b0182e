package payload

import (
	"slices"
	"testing"

	"hoistward/ingest"
)

// One topic for all rigs, the rig's name in each message: whose a sample is, is told by
// that alone, and never by the message before.
func TestTheRigMayStandInTheMessage(t *testing.T) {
	const at = `"t":"2026-11-24T12:00:00Z"`
	for _, c := range []struct {
		name, field, text string
		rigs, rejects     []string
	}{
		{"first", "unit", `{"unit":"R7",` + at + `,"hook_load":1}`, []string{"R7"}, nil},
		{"last", "unit", `{` + at + `,"hook_load":1,"unit":"R8"}`, []string{"R8"}, nil},
		{"further in", "/from/unit", `{"from":{"unit":"R7"},` + at + `,"hook_load":1}`, []string{"R7"}, nil},
		{"escaped", "unit", `{"unit":"\u00527",` + at + `,"hook_load":1}`, []string{"R7"}, nil},
		{"several", "unit", `[{"unit":"R7",` + at + `,"hook_load":1},{"unit":"R8",` + at + `,"hook_load":2},{` + at + `,"hook_load":3}]`,
			[]string{"R7", "R8"}, []string{" unknown rig"}},
		{"none", "unit", `{` + at + `,"hook_load":1}`, nil, []string{" unknown rig"}},
		{"empty", "unit", `{"unit":"",` + at + `,"hook_load":1}`, nil, []string{" unknown rig"}},
		{"a number", "unit", `{"unit":7,` + at + `,"hook_load":1}`, nil, []string{" unknown rig"}},
		{"null", "unit", `{"unit":null,` + at + `,"hook_load":1}`, nil, []string{" unknown rig"}},
		{"twice", "unit", `{"unit":"R7","unit":"R8",` + at + `,"hook_load":1}`, nil, []string{" duplicate key"}},
		{"a bad value after it", "unit", `{"unit":"R7",` + at + `,"hook_load":null,"block_height":1}`, []string{"R7"}, []string{"R7 null"}},
		{"not asked for", "", `{` + at + `,"hook_load":1}`, []string{"topic"}, nil},
	} {
		m := ingest.OwnForm()
		m.RigField = c.field
		d, err := NewJSON(&m)
		if err != nil {
			t.Fatal(err)
		}
		var rigs, rejects []string
		for range 2 { // the second time as the first
			rigs, rejects = nil, nil
			d.Decode(&ingest.Message{Rig: "topic", Payload: []byte(c.text), Received: noon}, ingest.SinkFuncs{
				OnSample: func(rig string, _ *ingest.Sample) { rigs = append(rigs, rig) },
				OnReject: func(rig string, r ingest.Reject, _ string) { rejects = append(rejects, rig+" "+r.String()) },
			})
		}
		if !slices.Equal(rigs, c.rigs) || !slices.Equal(rejects, c.rejects) {
			t.Errorf("%s: got samples of %q and rejects %q, want %q and %q", c.name, rigs, rejects, c.rigs, c.rejects)
		}
	}
	m := ingest.OwnForm()
	m.RigField = "hook_load"
	if _, err := NewJSON(&m); err == nil {
		t.Error("the rig's name and a channel are read from one field, want it refused")
	}
}
