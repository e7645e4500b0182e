package ingest

import (
	"testing"
	"time"
)

// A clock that is fast by 1.5 s shows so, whatever one stamp from the future says, and
// a clock that is off by more than is believed is measured all the same.
func TestOffsetIsTheMedianOfTheNewestStamps(t *testing.T) {
	m := OwnForm()
	m.Offsets = &Offsets{}
	if _, ok := m.Offsets.Now(); ok {
		t.Error("an offset without a stamp")
	}
	at := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	for i := range 40 {
		at = at.Add(100 * time.Millisecond)
		stamp := at.Add(1500 * time.Millisecond)
		if i == 20 {
			stamp = at.AddDate(73, 0, 0)
		}
		m.Stamp(stamp, at)
	}
	o, ok := m.Offsets.Now()
	if !ok || o.Median != 1500*time.Millisecond || o.Stamps != 40 || o.Least != o.Median || o.Most < 72*365*24*time.Hour || !o.Newest.Equal(at) {
		t.Errorf("got %+v", o)
	}
	for range offsetsKept {
		if _, r := m.Stamp(at.Add(-time.Hour), at); r != RejectFarPast {
			t.Fatalf("an hour behind: got %v", r)
		}
	}
	if o, _ := m.Offsets.Now(); o.Median != -time.Hour || o.Most != -time.Hour {
		t.Errorf("after the clock went back an hour: got %+v", o)
	}
	m.Clock = ReceiptClock
	m.Stamp(at, at)
	if o, _ := m.Offsets.Now(); o.Stamps != 40+offsetsKept {
		t.Error("a stamp that is ignored is counted")
	}
}

func TestStampWordsSayHowFarOff(t *testing.T) {
	at := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	for stamp, want := range map[time.Time]string{
		at.Add(48 * time.Hour):                   "2026-11-26T12:00:00Z, 48h0m0s ahead of receipt",
		at.Add(-61 * time.Second):                "2026-11-24T11:58:59Z, 1m1s behind receipt",
		at.AddDate(7000, 0, 0):                   "9026-11-24T12:00:00Z, some centuries ahead of receipt",
		time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC): "0001-01-01T00:00:00Z, some centuries behind receipt",
	} {
		if got := StampWords(stamp, at); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// Who sends under names that have no file is named, and made-up names do not fill the
// memory.
func TestRigsWithoutAFileAreNamed(t *testing.T) {
	var c Counters
	for range 3 {
		c.Add("field", RejectUnknownRig, "X2")
	}
	c.Add("field", RejectUnknownRig, "X1")
	c.Add("other", RejectUnknownRig, "X1")
	c.Add("field", RejectBrokenJSON, "X3")
	got := c.Strangers()
	want := []Stranger{{"field", "X1", 1}, {"field", "X2", 3}, {"other", "X1", 1}}
	if len(got) != len(want) {
		t.Fatalf("got %v, want %v", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("got %v, want %v", got[i], want[i])
		}
	}
	for i := range 5 * maxStrangers {
		c.Add("field", RejectUnknownRig, string(rune('a'+i%26))+time.Duration(i).String())
	}
	if n := len(c.Strangers()); n > maxStrangers+2 {
		t.Errorf("%d names are kept", n)
	}
	if n := c.Total("field", RejectUnknownRig); n != 4+5*maxStrangers {
		t.Errorf("counted %d", n)
	}
}
