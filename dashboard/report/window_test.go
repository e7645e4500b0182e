package report

import (
	"math"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"hoistward/ingest"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// A gap in the recording is told, and the figures do not bridge it.
func TestGapIsDrawnAsGap(t *testing.T) {
	s := play(t, "overhoist", noon, time.Minute)
	from, to := noon.Add(12*time.Second), noon.Add(24*time.Second)
	kept := s.entries[:0]
	for _, e := range s.entries {
		if e.Received.Before(from) || e.Received.After(to) {
			kept = append(kept, e)
		}
	}
	s.entries = kept
	s.insert(to, ingest.Entry{Kind: ingest.EntryGap, Gap: &ingest.Gap{Lost: 120, Reason: "the recording is damaged here"}})
	r := s.report(incident(noon.Add(32*time.Second), 30*time.Second, 20*time.Second))
	runs := r.Series[qHeight].runs()
	if len(runs) < 2 {
		t.Fatalf("the height is drawn in %d runs, want the gap between two", len(runs))
	}
	for _, run := range runs {
		for i := 1; i < len(run); i++ {
			if d := run[i].T - run[i-1].T; !(d <= 3) {
				t.Errorf("a line joins %.1f s and %.1f s", run[i-1].T, run[i].T)
			}
		}
	}
	page := render(t, r, nil)
	words := text(checkPage(t, page))
	for _, want := range []string{"120 entries are missing: the recording is damaged here", "gap in the recording", "nothing from the rig for 12 s", "not known"} {
		if !strings.Contains(words, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if !strings.Contains(page, `class="hatch" fill="url(#hatch1)"`) {
		t.Error("the gap is not hatched")
	}
}

// What a recording could not give is told before all else, and what it gave is shown.
func TestDamageIsTold(t *testing.T) {
	s, o := overhoist(t)
	o.Sources = []Recording{{File: "R1.sqlite", Rig: "R1", Damage: []string{"R1.sqlite: the recording is damaged"}}}
	m := New(Options{Rig: "R1", At: o.At, From: o.From, To: o.To, Sources: o.Sources}, open)
	m.Problem("R1.sqlite: the recording is damaged: a page is torn")
	orphan := s.entries[5]
	orphan.Received = noon.Add(-time.Second)
	m.Apply(&orphan) // before any session: a torn head
	for i := range s.entries {
		m.Apply(&s.entries[i])
	}
	r := m.Report()
	words := text(checkPage(t, render(t, r, nil)))
	for _, want := range []string{"What could not be used", "a page is torn", "comes before any session", "recording damaged", "Overhoist"} {
		if !strings.Contains(words, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// On the night when clocks go back an hour comes twice: every time has its offset. On
// other nights midnight comes once: every time has its day.
func TestDaylightSavingAndMidnight(t *testing.T) {
	for _, c := range []struct {
		name, zone string
		start      time.Time
		want       []string
		never      string
	}{
		// Norway's clocks went from 03:00 +02:00 to 02:00 +01:00 on 25 October 2026 at 01:00 UTC
		// (Directive 2000/84/EC: the last Sunday of October, 01:00 UTC).
		{"back", "Europe/Oslo", time.Date(2026, 10, 25, 0, 59, 30, 0, time.UTC),
			[]string{"changes in this window from +02:00 to +01:00", "10-25 02:59:", "+02:00", "10-25 02:00:0", "+01:00"}, "03:00:0"},
		// and forward on 29 March 2026 at 01:00 UTC.
		{"forward", "Europe/Oslo", time.Date(2026, 3, 29, 0, 59, 30, 0, time.UTC),
			[]string{"changes in this window from +01:00 to +02:00", "03-29 01:59:", "03-29 03:00:0"}, "03-29 02:0"},
		{"midnight", "UTC", time.Date(2026, 11, 24, 23, 59, 30, 0, time.UTC), []string{"11-24 23:59:", "11-25 00:00:0", "25 Nov"}, "offset from UTC changes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := play(t, "overhoist", c.start, time.Minute)
			o := incident(c.start.Add(32*time.Second), 30*time.Second, 20*time.Second)
			o.Zone = zone(t, c.zone)
			r := s.report(o)
			words := text(checkPage(t, render(t, r, o.Zone)))
			for _, want := range c.want {
				if !strings.Contains(words, want) {
					t.Errorf("the page does not say %q", want)
				}
			}
			if strings.Contains(words, c.never) {
				t.Errorf("the page says %q", c.never)
			}
			last := time.Time{}
			for _, row := range r.Rows {
				if row.At.Before(last) {
					t.Errorf("%s after %s", row.At, last)
				}
				last = row.At
			}
		})
	}
}

func TestTour(t *testing.T) {
	s := play(t, "trip-out", noon, 20*time.Minute)
	yes, at, ran, speed := true, 40.1, 0.4, 0.5
	s.insert(noon.Add(2*time.Minute), ingest.Entry{Kind: ingest.EntryAct, Act: &ingest.Act{Do: ingest.DoCrownSaverTest, Person: "Ada Borg",
		Work: &ingest.Work{Passed: &yes, TripHeight: &at, RunOn: &ran, Speed: &speed}}})
	s.insert(noon.Add(3*time.Minute), ingest.Entry{Kind: ingest.EntryLink, Link: &ingest.Link{Source: "broker", State: "lost", Detail: "connection refused"}})
	s.insert(noon.Add(4*time.Minute), ingest.Entry{Kind: ingest.EntryLink, Link: &ingest.Link{Source: "broker", State: "subscribed"}})
	s.insert(noon.Add(5*time.Minute), ingest.Entry{Kind: ingest.EntryAct, Act: &ingest.Act{Do: ingest.DoShelve, Alarm: "brake_hot",
		Person: "Ada Borg", Reason: "line is being worked on", Until: noon.Add(3 * time.Hour)}})
	r := s.report(Options{From: noon, To: noon.Add(20 * time.Minute)})
	if r.Tour == nil || r.Incident != nil {
		t.Fatal("want a tour")
	}
	if r.Tour.Stands < 1 || !(r.Tour.LineWork.InWindow > 1) {
		t.Errorf("%d stands, %v MJ: a trip out has both", r.Tour.Stands, r.Tour.LineWork.InWindow)
	}
	if r.Tour.CrownSaver != "proven by the log" || len(r.Tour.Service) != 1 {
		t.Errorf("crown saver %q, log %+v, want the test that passed", r.Tour.CrownSaver, r.Tour.Service)
	}
	if len(r.Aside) != 1 || r.Aside[0].Person != "Ada Borg" {
		t.Errorf("put aside %+v, want what was shelved", r.Aside)
	}
	for _, row := range r.Rows {
		if strings.HasPrefix(row.Text, "the block:") {
			t.Errorf("a tour tells each move: %+v", row)
			break
		}
	}
	lost := Spell{}
	for _, o := range r.Outages {
		if o.What == "link of broker" {
			lost = o
		}
	}
	if !lost.From.Equal(noon.Add(3*time.Minute)) || !lost.To.Equal(noon.Add(4*time.Minute)) {
		t.Errorf("outages %+v, want the broker's minute", r.Outages)
	}
	total := 0.0
	for _, share := range r.Tour.Operations {
		total += share.Seconds
	}
	last := s.entries[len(s.entries)-1].Received
	if want := last.Sub(s.entries[0].Received).Seconds(); !(math.Abs(total-want) < 1) {
		t.Errorf("operations come to %.1f s of %.1f", total, want)
	}
	words := text(checkPage(t, render(t, r, nil)))
	for _, want := range []string{"Alarm figures", "published target", "ISA-18.2", "from memory, not confirmed", "line is being worked on", "crown saver passed", "connection refused"} {
		if !strings.Contains(words, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// A peak of one reading is in the figure of a tour: nothing is thinned away.
func TestReducerKeepsPeaks(t *testing.T) {
	r := reducer{from: noon, step: time.Minute}
	var v [numQuantities]float64
	for i := range 6000 { // ten minutes at 10 Hz
		for q := range v {
			v[q] = 100
		}
		switch {
		case i == 1234:
			v[qHeat] = 999
		case i == 4321:
			v[qHeat] = -7
		case i >= 2000 && i < 2005:
			v[qHeat] = math.NaN()
		}
		r.add(noon.Add(time.Duration(i)*100*time.Millisecond), &v)
		r.frame(noon.Add(time.Duration(i) * 100 * time.Millisecond))
	}
	s := r.series()[qHeat]
	if len(s.Points) > 12 {
		t.Errorf("%d points of ten minutes", len(s.Points))
	}
	if p := s.Points[2]; p.Max != 999 || p.Min != 100 {
		t.Errorf("minute of the peak %+v, want 100 to 999", p)
	}
	unknown := 0
	for _, p := range s.Points {
		if !p.Known() {
			unknown++
		}
	}
	if unknown != 1 {
		t.Errorf("%d points say that it was not known, want 1: %+v", unknown, s.Points)
	}
	if p := s.Points[len(s.Points)-3]; p.Min != -7 {
		t.Errorf("minute of the dip %+v, want -7", p)
	}
}

// Where a recording merely stops and goes on, with nothing that says so, no line joins
// what stands on both sides.
func TestSilenceIsDrawnAsGap(t *testing.T) {
	r := reducer{from: noon, step: incidentStep}
	var v [numQuantities]float64
	for i := range 200 {
		at := noon.Add(time.Duration(i) * 100 * time.Millisecond)
		if i >= 100 {
			at = at.Add(4 * time.Second)
		}
		r.add(at, &v)
		r.frame(at)
	}
	s := r.series()[qHeight]
	if runs := s.runs(); len(runs) != 2 || len(runs[0]) != 100 || len(runs[1]) != 100 {
		t.Errorf("%d runs, want the readings before and after a silence of 4 s", len(runs))
	}
}
