package alarms

import (
	"testing"
	"time"
)

// conditions that move an alarm through raise, worsen, ease, clear and bad input.
var benchInputs = [8]Input{{Condition: ConditionFalse}, {Condition: ConditionTrue}, {Condition: ConditionTrue, Priority: Emergency},
	{}, {Condition: ConditionTrue, Priority: Low}, {Condition: ConditionFalse}, {Condition: ConditionFalse, Suppress: true}, {}}

func TestStepDoesNotAllocate(t *testing.T) {
	r, _ := Lookup("overhoist")
	var a Alarm
	i := 0
	if n := testing.AllocsPerRun(1000, func() {
		now := start.Add(time.Duration(i%97) * time.Second) // the clock falls now and then
		a, _ = r.Step(a, now, benchInputs[i/3%8])
		i++
	}); n != 0 {
		t.Errorf("%v allocations a step, want 0", n)
	}
	if a.Occurrence == 0 {
		t.Error("the alarm was never raised: the run shows nothing")
	}
}

func BenchmarkStep(b *testing.B) {
	r, _ := Lookup("overhoist")
	var a Alarm
	i := 0
	b.ReportAllocs()
	for b.Loop() {
		a, _ = r.Step(a, start.Add(time.Duration(i)*100*time.Millisecond), benchInputs[i/30%8])
		i++
	}
}

func BenchmarkStepQuiet(b *testing.B) {
	r, _ := Lookup("overhoist")
	var a Alarm
	i := 0
	b.ReportAllocs()
	for b.Loop() {
		a, _ = r.Step(a, start.Add(time.Duration(i)*100*time.Millisecond), Input{Condition: ConditionFalse})
		i++
	}
}
