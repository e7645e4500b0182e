package alarms

import (
	"encoding/json"
	"maps"
	"reflect"
	"strings"
	"testing"
	"time"
)

func someState(t *testing.T) *Saved {
	t.Helper()
	latch := Rule{Name: "latch", Priority: High, Latch: true, OffDelay: 2 * time.Second}
	plain := Rule{Name: "plain", Priority: Medium, Shelvable: true, OnDelay: 3 * time.Second}
	state := Saved{At: At(start), Limits: []Limit{{"crown_limit_passed", "mast.crown_limit", 41, "m"}}}
	state.Service.Cut = Deed{At: At(start), By: "Ivo Brandt", Length: 30}
	state.Alarms = map[Key]Alarm{
		{"overhoist", ""}:                reach(t, &latch, "bA..."),
		{"floor_approach", ""}:           reach(t, &latch, "b...."),
		{"reading_lost", "hook_load"}:    reach(t, &plain, "bbb"),
		{"reading_lost", "block_height"}: reach(t, &plain, ".Z"),
		{"brake_hot", ""}:                reach(t, &plain, ".O"),
	}
	return &state
}

func TestStateOutlivesARestart(t *testing.T) {
	state := someState(t)
	b, err := MarshalState(state)
	if err != nil {
		t.Fatal(err)
	}
	other := *state
	other.Alarms = maps.Clone(state.Alarms)
	again, _ := MarshalState(&other)
	if string(again) != string(b) {
		t.Error("the same state gave other bytes")
	}
	back, err := UnmarshalState(b)
	if err != nil || !reflect.DeepEqual(&back, state) {
		t.Fatalf("%v: got\n%+v\nwant\n%+v", err, back, state)
	}
	if a := back.Alarms[Key{"overhoist", ""}]; a.State != LatchedAcknowledged || a.AcknowledgedBy != "Ivo Brandt" {
		t.Errorf("overhoist came back %v, by %q", a.State, a.AcknowledgedBy)
	}
}

// A pending on-delay resumes: the time without a monitor counts as the bridge.
func TestPendingOnDelayResumes(t *testing.T) {
	r := Rule{Name: "slow", Priority: Medium, OnDelay: 5 * time.Second}
	yes := Input{Condition: ConditionTrue}
	var a Alarm
	for i := range 3 { // true for 2 s
		a, _ = r.Step(a, start.Add(time.Duration(i)*time.Second), yes)
	}
	now := start.Add(time.Hour)
	a = Resume(a, now)
	if a, _ = r.Step(a, now, yes); a.State != Unknown { // 2 s + 2 s
		t.Errorf("after 4 of 5 s: %v", a.State)
	}
	if a, _ = r.Step(a, now.Add(time.Second-1), yes); a.State != Unknown {
		t.Errorf("just before 5 s: %v", a.State)
	}
	if a, _ = r.Step(a, now.Add(time.Second), yes); a.State != Unacknowledged {
		t.Errorf("after 5 of 5 s: %v", a.State)
	}
}

func TestOffDelayStartsAgainAfterARestart(t *testing.T) {
	r := Rule{Name: "off", Priority: Medium, OffDelay: 2 * time.Second}
	no := Input{Condition: ConditionFalse}
	a := reach(t, &r, "b.")
	now := start.Add(1500 * time.Millisecond)
	a = Resume(a, now)
	a, _ = r.Step(a, now, no)
	if a, _ = r.Step(a, now.Add(1999*time.Millisecond), no); a.State != Unacknowledged {
		t.Errorf("cleared early: %v", a.State)
	}
	if a, _ = r.Step(a, now.Add(2*time.Second), no); a.State != ReturnedUnacknowledged {
		t.Errorf("not cleared: %v", a.State)
	}
}

func TestDamagedStateIsRefused(t *testing.T) {
	b, err := MarshalState(someState(t))
	if err != nil {
		t.Fatal(err)
	}
	good := string(b)
	for name, damaged := range map[string]string{
		"empty":           "",
		"torn":            good[:len(good)/2],
		"one byte short":  good[:len(good)-1],
		"zeros":           strings.Repeat("\x00", len(good)),
		"twice":           good + good,
		"another version": strings.Replace(good, `"version":2`, `"version":3`, 1),
		"no checksum":     strings.Replace(good, `"crc32"`, `"crc33"`, 1),
		"no alarms":       `{"version":2,"crc32":"00000000"}`,
		"an occurrence":   strings.Replace(good, `"occurrence":1`, `"occurrence":7`, 1),
		"a list":          "[]",
	} {
		if got, err := UnmarshalState([]byte(damaged)); err == nil {
			t.Errorf("%s: read as %v", name, got)
		}
	}
	for i := range b { // one bit in each byte
		flipped := []byte(good)
		flipped[i] ^= 1
		if got, err := UnmarshalState(flipped); err == nil && !reflect.DeepEqual(&got, someState(t)) {
			t.Fatalf("byte %d flipped: %q was read", i, flipped[max(0, i-20):min(len(flipped), i+20)])
		}
	}
}

// States that a correct checksum cannot make right.
func TestImpossibleStateIsRefused(t *testing.T) {
	latch := Rule{Name: "latch", Priority: High, Latch: true}
	for name, edit := range map[string]func(*savedAlarm){
		"shelved as the state":        func(s *savedAlarm) { s.State.State = Shelved },
		"standing without occurrence": func(s *savedAlarm) { s.State.Occurrence = 0 },
		"version behind occurrence":   func(s *savedAlarm) { s.State.Version = 0 },
		"a shelf without a person":    func(s *savedAlarm) { s.State.ShelvedUntil, s.State.ShelvedWhy = 1, "noise" },
		"out of service without why":  func(s *savedAlarm) { s.State.OutOfService, s.State.RemovedBy = true, "Ivo Brandt" },
		"true and false":              func(s *savedAlarm) { s.State.TrueSince, s.State.FalseSince = 1, 1 },
		"no name":                     func(s *savedAlarm) { s.Alarm = "" },
		"not UTF-8":                   func(s *savedAlarm) { s.State.AcknowledgedBy = "\xff" },
	} {
		s := savedAlarm{Alarm: "overhoist", State: reach(t, &latch, "bA.")}
		edit(&s)
		if _, err := MarshalState(&Saved{Alarms: map[Key]Alarm{{s.Alarm, ""}: s.State}}); err == nil {
			t.Errorf("%s: was written", name)
		}
		if name == "shelved as the state" || name == "not UTF-8" {
			continue // the words cannot be written to begin with
		}
		body, err := json.Marshal([]savedAlarm{s})
		if err != nil {
			t.Fatal(err)
		}
		whole, _ := json.Marshal(savedState{Version: 1, CRC32: checksum(body), Alarms: body})
		if _, err := UnmarshalState(whole); err == nil {
			t.Errorf("%s: was read", name)
		}
	}
	one := `{"alarm":"blind","is":{"state":"unknown","priority":"none","occurrence":0,"version":0,"since":"","raised":""}}`
	for name, body := range map[string]string{
		"one alarm twice": "[" + one + "," + one + "]",
		"an unknown key":  strings.Replace("["+one+"]", `"since"`, `"sense"`, 1),
		"an unknown word": strings.Replace("["+one+"]", `"unknown"`, `"fine"`, 1),
	} {
		whole, _ := json.Marshal(savedState{Version: 1, CRC32: checksum([]byte(body)), Alarms: []byte(body)})
		if _, err := UnmarshalState(whole); err == nil {
			t.Errorf("%s: was read", name)
		}
	}
}

func FuzzUnmarshalState(f *testing.F) {
	alarms := `[{"alarm":"blind","is":{"state":"normal","priority":"high","occurrence":1,"version":3,"since":"2026-11-24T12:00:00Z","raised":"2026-11-24T11:00:00Z","evaluated":"2026-11-24T12:00:00Z"}}]`
	f.Add([]byte(`{"alarms":` + alarms + `,"limits":[{"alarm":"blind","name":"on_delay","value":0.5}]}`))
	f.Add([]byte(`{"alarms":[],"service":{"line_cut":{"at":"2026-11-24T11:00:00Z","by":"A. Roos","length_m":30},"work_since_cut_J":1e9}}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		whole := append([]byte(`{"version":2,"crc32":"`+checksum(body)+`","state":`), body...)
		state, err := UnmarshalState(append(whole, '}'))
		if err != nil {
			return
		}
		b, err := MarshalState(&state)
		if err != nil {
			t.Fatalf("was read and cannot be written: %v", err)
		}
		again, err := UnmarshalState(b)
		if err != nil {
			t.Fatalf("%v: read %s", err, b)
		}
		if c, err := MarshalState(&again); err != nil || string(c) != string(b) {
			t.Fatalf("%v: read %s and wrote %s", err, b, c)
		}
	})
}

// A state of the first form, which held the alarms alone, is still read.
func TestFirstFormIsRead(t *testing.T) {
	body := `[{"alarm":"blind","is":{"state":"acknowledged","priority":"high","occurrence":1,"version":3,"since":"2026-11-24T12:00:00Z","raised":"2026-11-24T11:00:00Z","acknowledged_by":"Ivo Brandt","evaluated":"2026-11-24T12:00:00Z"}}]`
	s, err := UnmarshalState([]byte(`{"version":1,"crc32":"` + checksum([]byte(body)) + `","alarms":` + body + `}`))
	if err != nil || s.Alarms[Key{"blind", ""}].AcknowledgedBy != "Ivo Brandt" {
		t.Errorf("%v: %+v", err, s)
	}
}
