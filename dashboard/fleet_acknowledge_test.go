package dashboard_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"hoistward/dashboard"
	"hoistward/ingest"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// What one page acknowledges is seen on the other, under the person's name; a refusal is
// shown with its reason.
func TestAcknowledgeFromTwoFleetPages(t *testing.T) {
	d := &desk{}
	f := serveFleet(t, dashboard.Options{Desk: manyDesk{d}}, func(i int, seq uint64, now time.Time) *dashboard.Snapshot {
		s := troubled(i, seq, now)
		if i == 7 {
			for _, act := range d.taken() {
				s.Alarms[0].CanAck, s.Alarms[0].Sounds, s.Alarms[0].State, s.Alarms[0].SeenBy = false, false, "acknowledged", act.Person
			}
		}
		return s
	})
	first, second := openFleet(t, f), openFleet(t, f)
	first.until(`document.querySelector(".alarm:not(.old) .tag")?.innerText.includes("EMERGENCY")`)
	second.until(`document.querySelectorAll(".alarm").length >= 6`)
	d.mu.Lock()
	d.refuse = errors.New("the alarm has changed")
	d.mu.Unlock()
	first.acknowledge(".alarm .ack", "A. Example")
	first.until(`document.getElementById("toast").innerText !== ""`)
	if said := first.text("toast"); !strings.Contains(said, "refused: the alarm has changed") {
		t.Errorf("the page says %q, want why it was refused", said)
	}
	d.mu.Lock()
	d.refuse, d.acts = nil, nil
	d.mu.Unlock()
	const ack = `[aria-label="acknowledge Overhoist of southmoor-3"]`
	first.until(`document.querySelector('.ack` + ack + `:not([hidden])')`)
	// On a busy machine the page may be stale for a moment, and takes no click then.
	eventually(t, "the desk has the act", func() bool {
		first.until(`!document.getElementById("page").inert`)
		first.do(chromedp.Click(chromedp.CSS(".ack" + ack)))
		first.settle(func() bool { return eval[bool](first, "true") && len(d.taken()) > 0 })
		return len(d.taken()) > 0
	})
	// Where the answer was too late for the page, it must send the person to the list.
	first.until(`/acknowledged by A. Example|look whether it was done/.test(document.getElementById("toast").innerText)`)
	for _, b := range []*browser{first, second} {
		b.until(`[...document.querySelectorAll(".alarm.old")].some((e) => e.innerText.includes("southmoor-3 Overhoist") && e.innerText.includes("seen by A. Example"))`)
		b.until(tileJS + `("southmoor-3").querySelector(".tag").innerText.includes("Overhoist")`)
	}
	acts := d.taken()
	if len(acts) != 1 || acts[0].Do != "acknowledge" || acts[0].Alarm != "overhoist" || acts[0].Occurrence != 1 || acts[0].Version != 3 || acts[0].Person != "A. Example" || acts[0].Rig != "southmoor-3" {
		t.Errorf("the desk took %+v", acts)
	}
	second.until(`document.getElementById("people").innerText.includes("A. Example")`)
	for _, e := range first.consoleErrors() { // the browser logs the refusal as a failed request
		if !strings.Contains(e, "409") {
			t.Errorf("console: %s", e)
		}
	}
	second.noComplaints()
}

// acknowledge does so by keys as a person without a name yet, who begins again where a
// page that is stale for a moment on a busy machine took the dialog away.
func (b *browser) acknowledge(button, name string) {
	b.t.Helper()
	open := func() bool { return eval[bool](b, `document.getElementById("person").open`) }
	eventually(b.t, "the name is taken", func() bool {
		if !open() {
			if !eval[bool](b, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.focus(); return document.activeElement === e; })()`, button)) {
				return false
			}
			b.do(chromedp.KeyEvent(kb.Enter))
			b.settle(open)
		}
		eval[bool](b, `document.getElementById("person-name").value = ""; true`)
		b.do(chromedp.KeyEvent(name))
		if !open() || b.value("person-name") != name {
			return false
		}
		b.do(chromedp.KeyEvent(kb.Enter))
		b.settle(func() bool { return !open() })
		return b.text("person-button") == name
	})
}

// settle waits three seconds at most for what a page may have missed.
func (b *browser) settle(ok func() bool) {
	for end := time.Now().Add(3 * time.Second); !ok() && time.Now().Before(end); {
	}
}

func (b *browser) value(id string) string {
	return eval[string](b, fmt.Sprintf("document.getElementById(%q).value", id))
}

// manyDesk takes acts of every rig.
type manyDesk struct{ *desk }

func (d manyDesk) Act(_ string, act ingest.Act) error { return d.desk.Act(rigName, act) }
