package configs

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"hoistward/detect/hoist"
)

// Each example written out and read back is the same rig, to the bit.
func TestTextReadsBackTheSame(t *testing.T) {
	for _, name := range Names() {
		rig, _, err := LoadRig(name)
		if err != nil {
			t.Fatal(err)
		}
		back, problems := ReadRig(name, Text(rig))
		for _, p := range problems {
			t.Error(p)
		}
		if d := cmp.Diff(rig, back); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}

func TestTextOfAVoidMapAndABareRig(t *testing.T) {
	rig, _, err := LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	rig.Reference = hoist.Reference{}
	rig.Emergency, rig.Auxiliary = hoist.EmergencyBrake{}, hoist.AuxiliaryBrake{}
	rig.Drawworks.Encoder = hoist.Encoder{}
	back, problems := ReadRig("bare", Text(rig))
	for _, p := range problems {
		t.Error(p)
	}
	if d := cmp.Diff(rig, back); d != "" {
		t.Error(d)
	}
}
