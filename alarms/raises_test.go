package alarms

import "testing"

func TestLineRaises(t *testing.T) {
	for kind := EventKind(0); kind < 40; kind++ {
		e := Event{Rig: `r","event":"raised",`, Reason: `,"event":"raised",`, Alarm: "overhoist", Event: kind}
		if got, want := LineRaises(AppendJSON(nil, &e)), kind == EventRaised; got != want {
			t.Errorf("%s: got %v, want %v", kind, got, want)
		}
	}
}
