package alarms

import (
	"regexp"
	"slices"
	"strings"
	"testing"
)

// table is the catalogue as it was agreed: a row, the names that it stands for, its
// priorities, and whether it is latched or may be shelved where the row says so.
var table = []struct {
	row        string
	names      []string
	priorities []Priority // the usual one of each name
	latched    bool
	noShelf    bool
	perChannel bool
}{
	{"overhoist", []string{"overhoist"}, []Priority{High}, true, true, false},
	{"crown limit passed", []string{"crown_limit_passed"}, []Priority{Emergency}, true, true, false},
	{"floor approach", []string{"floor_approach"}, []Priority{High}, true, true, false},
	{"cannot stop", []string{"cannot_stop"}, []Priority{Emergency}, true, true, false},
	{"lowering too fast", []string{"lowering_too_fast"}, []Priority{High}, false, true, false},
	{"brake fade", []string{"brake_fade"}, []Priority{High}, false, false, false},
	{"brake hot / very hot", []string{"brake_hot", "brake_very_hot"}, []Priority{Medium, High}, false, false, false},
	{"brake heading hot", []string{"brake_heading_hot"}, []Priority{Low}, false, false, false},
	{"brake margin low", []string{"brake_margin_low"}, []Priority{High}, false, true, false},
	{"brake creep", []string{"brake_creep"}, []Priority{Emergency}, false, true, false},
	{"brake drag", []string{"brake_drag"}, []Priority{Medium}, false, false, false},
	{"brake pressure low", []string{"brake_pressure_low"}, []Priority{High}, false, false, false},
	{"emergency brake set", []string{"emergency_brake_set"}, []Priority{High}, false, false, false},
	{"auxiliary brake weak / lost", []string{"auxiliary_brake_weak", "auxiliary_brake_lost"}, []Priority{High, High}, false, false, false},
	{"coolant hot / flow low", []string{"coolant_hot", "coolant_flow_low"}, []Priority{Medium, Medium}, false, false, false},
	{"drive did not release", []string{"drive_did_not_release"}, []Priority{High}, false, false, false},
	{"crown saver not proven", []string{"crown_saver_not_proven"}, []Priority{Medium}, false, false, false},
	{"holding test of the brake failed or due", []string{"brake_not_proven"}, []Priority{Medium}, false, false, false},
	{"crown saver tripped", []string{"crown_saver_tripped"}, []Priority{High}, false, false, false},
	{"heights disagree", []string{"heights_disagree"}, []Priority{High}, false, false, false},
	{"position not calibrated", []string{"position_not_calibrated"}, []Priority{High}, false, false, false},
	{"overload", []string{"overload"}, []Priority{High}, false, false, false},
	{"reading lost / late / frozen / out of range / impossible step / unit conflict",
		[]string{"reading_lost", "reading_late", "reading_frozen", "reading_out_of_range", "reading_impossible_step", "reading_unit_conflict"},
		[]Priority{Medium, Medium, Medium, Medium, Medium, Medium}, false, false, true},
	{"parent of those", []string{"source_lost"}, []Priority{High}, false, false, false},
	{"blind", []string{"blind"}, []Priority{High}, false, true, false},
	{"clock disagrees", []string{"clock_disagrees"}, []Priority{Low}, false, false, false},
	{"line work due / over", []string{"line_work_due", "line_work_over"}, []Priority{Low, Medium}, false, false, false},
	{"recording stopped / space low", []string{"recording_stopped", "recording_space_low"}, []Priority{High, Low}, false, false, false},
	{"historian behind", []string{"historian_behind"}, []Priority{Low}, false, false, false},
	{"alarms that do not get out", []string{"notification_failing"}, []Priority{Medium}, false, false, false},
	{"readings that are discarded, of a source or for the record", []string{"readings_discarded"}, []Priority{High}, false, false, false},
	{"saved alarm state that cannot be read", []string{"alarm_state_lost"}, []Priority{High}, true, false, false},
	{"broker lost", []string{"broker_lost"}, []Priority{High}, false, false, false},
}

func TestCatalogueIsTheAgreedTable(t *testing.T) {
	var names []string
	for _, row := range table {
		for i, name := range row.names {
			names = append(names, name)
			r, ok := Lookup(name)
			if !ok {
				t.Errorf("%s: row %q is not in the catalogue", name, row.row)
				continue
			}
			if r.Priority != row.priorities[i] {
				t.Errorf("%s: priority %v, want %v", name, r.Priority, row.priorities[i])
			}
			if row.latched && !r.Latch {
				t.Errorf("%s: not latched, want latched", name)
			}
			if row.noShelf && r.Shelvable {
				t.Errorf("%s: may be shelved, want not", name)
			}
			if r.PerChannel != row.perChannel {
				t.Errorf("%s: per channel %v, want %v", name, r.PerChannel, row.perChannel)
			}
		}
	}
	for _, r := range All() {
		if !slices.Contains(names, r.Name) {
			t.Errorf("%s: in the catalogue, not in the table", r.Name)
		}
	}
	if len(names) != len(All()) {
		t.Errorf("%d alarms, want %d", len(All()), len(names))
	}
}

func TestCatalogueIsRationalised(t *testing.T) {
	snake := regexp.MustCompile(`^[a-z]+(_[a-z]+)*$`)
	reassuring := regexp.MustCompile(`(?i)\bsafe(ly|ty)?\b`)
	seen := map[string]bool{}
	for _, r := range All() {
		texts := map[string]string{"title": r.Title, "meaning": r.Meaning, "causes": r.Causes, "consequence": r.Consequence,
			"response": r.Response, "time to act": r.TimeToAct, "inputs": r.Inputs, "deadband": r.Deadband}
		for what, text := range texts {
			if strings.TrimSpace(text) == "" || strings.TrimSpace(text) != text {
				t.Errorf("%s: %s is %q, want text", r.Name, what, text)
			}
			if reassuring.MatchString(text) {
				t.Errorf("%s: %s says %q: the monitor never says that", r.Name, what, reassuring.FindString(text))
			}
		}
		for what, text := range map[string]string{"meaning": r.Meaning, "response": r.Response, "consequence": r.Consequence} {
			if !strings.HasSuffix(text, ".") {
				t.Errorf("%s: %s %q, want whole sentences", r.Name, what, text)
			}
		}
		if !snake.MatchString(r.Name) || seen[r.Name] {
			t.Errorf("name %q: want snake case, once", r.Name)
		}
		if seen[r.Meaning] || seen[r.Response] {
			t.Errorf("%s: meaning or response is another alarm's", r.Name)
		}
		seen[r.Name], seen[r.Meaning], seen[r.Response] = true, true, true
		if r.Priority < Low || r.Priority > Emergency {
			t.Errorf("%s: priority %v", r.Name, r.Priority)
		}
		if r.OffDelay < offStop {
			t.Errorf("%s: off-delay %v, want %v or more: chatter", r.Name, r.OffDelay, offStop)
		}
		if r.Priority == Emergency && (r.OnDelay != 0 || r.Shelvable) {
			t.Errorf("%s: an emergency waits for nothing and cannot be shelved", r.Name)
		}
	}
}

func TestStopMarginAlarmsCannotBeHidden(t *testing.T) {
	for _, name := range []string{"overhoist", "crown_limit_passed", "floor_approach", "cannot_stop", "lowering_too_fast"} {
		r, _ := Lookup(name)
		if r.Shelvable || r.OnDelay != 0 || r.Parent != "" {
			t.Errorf("%s: shelvable %v, on-delay %v, parent %q; want none of them", name, r.Shelvable, r.OnDelay, r.Parent)
		}
		a := Alarm{State: Unacknowledged, Priority: High, Occurrence: 1, Version: 1}
		if _, ch := r.Shelve(a, start, start.Add(60e9), "noise", "Ivo Brandt"); ch.Refused == "" {
			t.Errorf("%s: shelved", name)
		}
		if _, ch := r.OutOfService(a, start, "noise", "Ivo Brandt"); ch.Refused == "" {
			t.Errorf("%s: taken out of service", name)
		}
	}
}

func TestParentsExistAndDoNotLoop(t *testing.T) {
	for _, r := range All() {
		seen := []string{r.Name}
		for p := r.Parent; p != ""; {
			if slices.Contains(seen, p) {
				t.Fatalf("%v leads back to %s", seen, p)
			}
			seen = append(seen, p)
			parent, ok := Lookup(p)
			if !ok {
				t.Fatalf("%s: parent %s is not in the catalogue", r.Name, p)
			}
			if parent.Priority < r.Priority {
				t.Errorf("%s (%v) is hidden by %s (%v), which is less urgent", r.Name, r.Priority, p, parent.Priority)
			}
			p = parent.Parent
		}
	}
}

func TestLookupGivesACopy(t *testing.T) {
	r, _ := Lookup("overhoist")
	r.OnDelay, All()[0].OnDelay = 1e9, 1e9
	if again, _ := Lookup("overhoist"); again.OnDelay != 0 {
		t.Error("a caller changed the catalogue")
	}
	if _, ok := Lookup("no_such_alarm"); ok {
		t.Error("found an alarm that is not there")
	}
}
