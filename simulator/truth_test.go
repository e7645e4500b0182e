package simulator

import (
	"bytes"
	"encoding/csv"
	"errors"
	"strings"
	"testing"
)

// small is a disk with so many bytes left.
type small struct {
	left int
	got  bytes.Buffer
}

var errFull = errors.New("no space left on device")

func (s *small) Write(b []byte) (int, error) {
	n := min(len(b), s.left)
	s.left -= n
	s.got.Write(b[:n])
	if n < len(b) {
		return n, errFull
	}
	return n, nil
}

func TestTruthFile(t *testing.T) {
	var b bytes.Buffer
	w := NewTruthWriter(&b)
	rows := []Truth{
		{Time: 0.1, Height: 12.5, HookLoad: 294199.5, DrumSpeed: 10.471975511965978, Ring: 293.15, Activity: RaisingEmpty},
		{Time: 0.2, Height: 44, Event: CrownContact, ImpactSpeed: 1.2},
	}
	for i := range rows {
		if err := w.Write(&rows[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	table, err := csv.NewReader(&b).ReadAll()
	if err != nil || len(table) != 3 {
		t.Fatalf("%d rows, %v", len(table), err)
	}
	at := func(row int, head string) string {
		for i, h := range table[0] {
			if h == head {
				return table[row][i]
			}
		}
		t.Fatalf("no column %s", head)
		return ""
	}
	for _, c := range []struct {
		row        int
		head, want string
	}{
		{1, "time[s]", "0.100"}, {1, "height[m]", "12.5000"}, {1, "hook_load[kN]", "294.20"}, {1, "drum_speed[rpm]", "100.000"},
		{1, "ring_temperature[degC]", "20.00"}, {1, "activity", "raising empty"}, {1, "event", ""}, {1, "impact_speed[m/s]", ""},
		{2, "event", "crown contact"}, {2, "impact_speed[m/s]", "1.200"},
	} {
		if got := at(c.row, c.head); got != c.want {
			t.Errorf("row %d, %s: got %q, want %q", c.row, c.head, got, c.want)
		}
	}
}

// A full disk is told, once and for good, and what was written stands.
func TestTruthFileOnAFullDisk(t *testing.T) {
	disk := &small{left: 100000}
	w := NewTruthWriter(disk)
	var err error
	n := 0
	for ; err == nil && n < 5000; n++ {
		err = w.Write(&Truth{Time: float64(n) / 10})
	}
	if !errors.Is(err, errFull) {
		t.Fatalf("after %d rows: %v, want the disk's error", n, err)
	}
	if e := w.Write(&Truth{}); !errors.Is(e, errFull) {
		t.Errorf("wrote on after the error: %v", e)
	}
	if e := w.Flush(); !errors.Is(e, errFull) {
		t.Errorf("flush after the error: %v", e)
	}
	text := disk.got.String()
	if disk.got.Len() != 100000 || !strings.HasPrefix(text, "time[s],") || !strings.Contains(text, "\n0.100,") {
		t.Errorf("%d bytes on the disk, want the first 100,000 as they were", disk.got.Len())
	}
}

func TestNamesRoundTrip(t *testing.T) {
	for a := range NumActivities {
		if got, ok := ParseActivity(a.String()); !ok || got != a {
			t.Errorf("%v reads as %v, %v", a, got, ok)
		}
	}
	if _, ok := ParseActivity("resting"); ok {
		t.Error("an unknown activity was taken")
	}
	for e := range NumEvents {
		if strings.Contains(e.String(), "unknown") {
			t.Errorf("event %d has no name", e)
		}
	}
}
