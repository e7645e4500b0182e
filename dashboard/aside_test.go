package dashboard_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// The card says what the catalogue says; a shelf needs a reason and gets an end, and what
// the server refuses is shown in words.
func TestShelveAndOutOfService(t *testing.T) {
	d := &desk{}
	l := serveLive(t, dashboardOf(d))
	l.show(testDue)
	b := openCabin(t, l)
	withPerson(b)
	b.do(chromedp.Click(chromedp.CSS(".alarm .open")))
	b.until(`document.getElementById("card").open`)
	for _, want := range []string{"Test the crown saver", "Before the next trip", "may not act", "No passing proof test", "Line slipped or cut"} {
		if text := b.text("card"); !strings.Contains(text, want) {
			t.Errorf("the card says %q, want %q in it", text, want)
		}
	}
	b.painted()
	b.shoot("card-shelvable")
	b.do(chromedp.Click(chromedp.ID("card-shelve")))
	b.until(`document.getElementById("card-refused").innerText.includes("A reason is needed") && document.activeElement?.id === "aside-reason"`)
	b.do(chromedp.KeyEvent("test at the next connection"))
	eval[string](b, `(() => { const s = document.getElementById("aside-for"); s.value = "720"; s.dispatchEvent(new Event("change")); return ""; })()`)
	d.mu.Lock()
	d.refuse = errors.New("the end is more than 12h0m0s away")
	d.mu.Unlock()
	b.do(chromedp.Click(chromedp.ID("card-shelve")))
	b.until(`document.getElementById("card-refused").innerText === "Refused: the end is more than 12h0m0s away"`)
	d.mu.Lock()
	d.refuse, d.acts = nil, nil
	d.mu.Unlock()
	before := time.Now()
	b.do(chromedp.Click(chromedp.ID("card-shelve")))
	b.until(`!document.getElementById("card").open && document.getElementById("toast").innerText.includes("shelved by A. Example")`)
	acts := d.taken()
	if len(acts) != 1 || acts[0].Do != "shelve" || acts[0].Alarm != "crown_saver_not_proven" || acts[0].Reason != "test at the next connection" || acts[0].Check() != nil {
		t.Fatalf("the desk took %+v", acts)
	}
	// The longest shelf is 12 h from the server's now: the page's end may not be beyond it.
	if left := acts[0].Until.Sub(before); left > 12*time.Hour || left < 12*time.Hour-time.Minute {
		t.Errorf("shelved for %v, want just under 12 h", left)
	}
	b.do(chromedp.Click(chromedp.CSS(".alarm .open")))
	b.until(`document.getElementById("card").open`)
	b.fill("aside-reason", "sensor is being replaced")
	b.do(chromedp.Click(chromedp.ID("card-remove")))
	b.until(`document.getElementById("toast").innerText.includes("taken out of service")`)
	if acts = d.taken(); len(acts) != 2 || acts[1].Do != "out_of_service" || !acts[1].Until.IsZero() || acts[1].Check() != nil {
		t.Errorf("the desk took %+v", acts)
	}
}

// What is put aside is always in view, and comes back by its button.
func TestPutAsideIsInViewAndComesBack(t *testing.T) {
	d := &desk{}
	l := serveLive(t, dashboardOf(d))
	l.show(func(seq uint64, now time.Time) *dashboard.Snapshot {
		s := shelved(seq, now)
		s.Alarms = append(s.Alarms, testDue(seq, now).Alarms...)
		return s
	})
	b := openCabin(t, l)
	withPerson(b)
	b.until(`document.getElementById("aside").checkVisibility()`)
	for _, want := range []string{"Shelved: Coolant hot (would stand now), 46 min left", "Out of service: Reading late: bit depth"} {
		if text := b.text("aside"); !strings.Contains(text, want) {
			t.Errorf("the line says %q, want %q in it", text, want)
		}
	}
	if titles := eval[string](b, `[...document.querySelectorAll(".alarm .title")].map((e) => e.innerText).join()`); titles != "Crown saver not proven,Line work over its goal" {
		t.Errorf("the list of alarms shows %q, want those that are not put aside", titles)
	}
	b.do(chromedp.Focus(chromedp.ID("aside")), chromedp.KeyEvent(kb.Enter))
	b.until(`document.querySelectorAll("#aside-list li").length === 2`)
	if text := b.text("aside-list"); !strings.Contains(text, "by A. Example: sensor work until the afternoon") || !strings.Contains(text, "until it is returned, by B. Example: gateway is being replaced") {
		t.Errorf("the drawer says %q", text)
	}
	b.do(chromedp.Click(chromedp.CSS("#aside-list li:first-child button")))
	eventually(t, "unshelved", func() bool { a := d.taken(); return len(a) == 1 && a[0].Do == "unshelve" && a[0].Check() == nil })
	b.do(chromedp.Click(chromedp.CSS("#aside-list li:last-child button")))
	eventually(t, "returned", func() bool {
		a := d.taken()
		return len(a) == 2 && a[1].Do == "return_to_service" && a[1].Channel == "bit_depth" && a[1].Check() == nil
	})
	b.noComplaints()
}

// Two pages show one rig: what one acknowledges is acknowledged on both, and what one
// silences the server is asked to silence everywhere.
func TestAcknowledgeFromTwoPages(t *testing.T) {
	d := &desk{}
	l := serveLive(t, dashboardOf(d))
	l.show(func(seq uint64, now time.Time) *dashboard.Snapshot {
		s := fade(seq, now)
		for _, act := range d.taken() {
			a := &s.Alarms[0]
			switch act.Do {
			case "acknowledge":
				a.CanAck, a.Sounds, a.CanSilence, a.State, a.SeenBy = false, false, false, "acknowledged", act.Person
			case "silence":
				a.Sounds, a.CanSilence = false, false
			}
		}
		return s
	})
	one, two := openCabin(t, l), openCabin(t, l)
	withPerson(one)
	one.do(chromedp.Click(chromedp.ID("silence")))
	for _, b := range []*browser{one, two} {
		b.until(`document.getElementById("silence").disabled && !document.querySelector(".alarm .ack").hidden`)
	}
	one.do(chromedp.Click(chromedp.CSS(".alarm .ack")))
	for _, b := range []*browser{one, two} {
		b.until(`document.querySelector(".alarm .ack").hidden`)
	}
	two.do(chromedp.Click(chromedp.CSS(".alarm .open")))
	two.until(`document.getElementById("card-state").innerText.includes("acknowledged by A. Example")`)
	acts := d.taken()
	if len(acts) != 2 || acts[0].Do != "silence" || acts[1].Do != "acknowledge" {
		t.Errorf("the desk took %+v, want one silence and one acknowledgement", acts)
	}
	one.noComplaints()
	two.noComplaints()
}
