package configs

import (
	"slices"
	"testing"
)

// Whatever is offered can be set: each key takes its own value again, and the file reads
// as it did.
func TestKeysAreWhatSetTakes(t *testing.T) {
	for _, name := range []string{"R1", "R2", "R3", "R4", "R5"} {
		_, text, err := LoadRig(name)
		if err != nil {
			t.Fatal(err)
		}
		keys := Keys(text)
		said := 0
		for _, k := range keys {
			if k.Value == "" {
				continue
			}
			said++
			same, err := Set(text, k.Path, k.Value)
			if err != nil || string(same) != string(text) {
				t.Errorf("%s: %s = %q cannot be set to what it is: %v", name, k.Path, k.Value, err)
			}
		}
		if said < 35 {
			t.Errorf("%s: %d of its numbers are offered, want all", name, said)
		}
		if i := slices.IndexFunc(keys, func(k Key) bool { return k.Path == "drawworks.drive.release" }); i < 0 || keys[i].Unit != "s" || keys[i].Want != "0 to 10 s" || keys[i].What != "time" {
			t.Errorf("%s: drawworks.drive.release is offered as %+v, want a time in s of 0 to 10 s", name, keys[max(i, 0)])
		}
	}
}
