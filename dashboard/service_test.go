package dashboard_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

func withPerson(b *browser) {
	b.t.Helper()
	eval[string](b, `localStorage.setItem("hoistward.person", "A. Example") ?? ""`)
}

// fill puts text into a field as a person does: by the keyboard.
func (b *browser) fill(id, text string) {
	b.t.Helper()
	b.do(chromedp.Focus(chromedp.ID(id)), chromedp.KeyEvent(text))
}

// A known height is entered by keyboard alone; nothing is sent before the second look,
// which says the residual and what will change, and stays in step with the readings.
func TestCalibrationByHand(t *testing.T) {
	d := &desk{}
	l := serveLive(t, dashboardOf(d))
	l.show(base)
	b := openCabin(t, l)
	withPerson(b)
	b.do(chromedp.Focus(chromedp.ID("service-button")), chromedp.KeyEvent(kb.Enter))
	b.until(`document.activeElement === document.querySelector("#service-choice button")`)
	for range 4 {
		b.do(chromedp.KeyEvent(kb.Tab))
	}
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`document.activeElement?.id === "field-block_height_m" && document.getElementById("service-form").innerText.includes("the monitor has 18.20 m now")`)
	b.do(chromedp.KeyEvent("18,4x"), chromedp.KeyEvent(kb.Enter))
	b.until(`document.getElementById("form-wrong").innerText.includes("is not a number") && document.activeElement?.id === "field-block_height_m"`)
	b.do(chromedp.KeyEvent(kb.Backspace), chromedp.KeyEvent(kb.Enter))
	b.until(`document.activeElement?.id === "look-confirm"`)
	// 18.40 m entered against 18.20 m: +0.20 m, by hand.
	for _, want := range []string{"residual +0.20 m", "moves by +0.20 m", "It replaces the reference of", "by B. Example"} {
		if text := b.text("look-list"); !strings.Contains(text, want) {
			t.Errorf("the second look says %q, want %q in it", text, want)
		}
	}
	if acts := d.taken(); len(acts) != 0 {
		t.Fatalf("sent before the second look: %+v", acts)
	}
	b.painted()
	b.shoot("calibrate-look")
	if bad := eval[string](b, hidesJS); bad != "" {
		t.Errorf("the second look hides %s", bad)
	}
	l.show(func(seq uint64, now time.Time) *dashboard.Snapshot {
		s := base(seq, now)
		s.Estimate.Height, s.Estimate.Velocity = num(17.1), num(-0.4)
		return s
	})
	b.until(`/residual \+1.30 m/.test(document.getElementById("look-list").innerText) && /Measure again/.test(document.getElementById("look-list").innerText) && /refuses a reference while it moves/.test(document.getElementById("look-list").innerText)`)
	d.mu.Lock()
	d.refuse = errors.New("the block moves at -0.40 m/s: bring it to rest at a known height")
	d.mu.Unlock()
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`document.getElementById("look-refused").innerText.includes("bring it to rest")`)
	d.mu.Lock()
	d.refuse, d.acts = nil, nil
	d.mu.Unlock()
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`document.getElementById("toast").innerText.includes("Calibrate by hand: entered") && !document.getElementById("service-choice").hidden`)
	acts := d.taken()
	if len(acts) != 1 || acts[0].Do != "reference_set" || acts[0].Person != "A. Example" || acts[0].Work == nil ||
		acts[0].Work.BlockHeight == nil || !(math.Abs(*acts[0].Work.BlockHeight-18.4) < 1e-9) || acts[0].Work.Wraps != nil || acts[0].Check() != nil {
		t.Errorf("the desk took %+v", acts)
	}
	for _, e := range b.consoleErrors() {
		if !strings.Contains(e, "409") {
			t.Errorf("console: %s", e)
		}
	}
}

// After a slip the wraps are asked for, in words, before the server has to.
func TestReferenceAfterASlipNeedsTheWraps(t *testing.T) {
	d := &desk{}
	l := serveLive(t, dashboardOf(d))
	l.show(func(seq uint64, now time.Time) *dashboard.Snapshot {
		s := base(seq, now)
		s.Service.LineMovedMs, s.Service.ReferenceMs = now.UnixMilli()-1000, now.UnixMilli()-2000
		return s
	})
	b := openCabin(t, l)
	withPerson(b)
	b.do(chromedp.Click(chromedp.ID("service-button")), chromedp.Click(chromedp.CSS(`[data-form="reference_set"]`)))
	b.fill("field-block_height_m", "18.2")
	b.do(chromedp.Click(chromedp.ID("form-look")))
	b.until(`document.getElementById("form-wrong").innerText.includes("line was slipped or cut") && document.activeElement?.id === "field-wraps"`)
	b.do(chromedp.KeyEvent("31.25"), chromedp.KeyEvent(kb.Enter))
	b.until(`document.getElementById("look-list").innerText.includes("stands again, on 31.25 wraps")`)
	b.do(chromedp.Click(chromedp.ID("look-confirm")))
	b.until(`!document.getElementById("service-choice").hidden`)
	if acts := d.taken(); len(acts) != 1 || acts[0].Work.Wraps == nil || *acts[0].Work.Wraps != 31.25 {
		t.Errorf("the desk took %+v", acts)
	}
}

// Each entry in the service log, in the person's unit, arrives in the act's.
func TestServiceEntries(t *testing.T) {
	const foot, klbf, psi = 0.3048, 4.4482216152605, 6894.757293168361 // NIST SP 811, appendix B: exact, exact (kN), Pa
	for _, c := range []struct {
		form   string
		passed bool
		fill   map[string]string
		look   string
		check  func(w map[string]float64) bool
	}{
		{"crown_saver_test", true, map[string]string{"trip_height_m": "130", "run_on_m": "2", "speed_mps": "98.4"}, "under the crown limit",
			func(w map[string]float64) bool {
				return near1(w["trip"], 130*foot) && near1(w["run"], 2*foot) && near1(w["speed"], 98.4*foot/60)
			}},
		{"brake_test", false, map[string]string{"hook_load_kN": "300", "pressure_MPa": "1000", "held_s": "60"}, "goes on record as failed",
			func(w map[string]float64) bool {
				return near1(w["load"], 300*klbf) && near1(w["pressure"], 1000*psi/1e6) && near1(w["held"], 60)
			}},
		{"line_slipped", false, map[string]string{"length_m": "50"}, "becomes void", func(w map[string]float64) bool { return near1(w["length"], 50*foot) }},
		{"line_cut", false, map[string]string{"length_m": "80", "remark": "at the end of the well"}, "starts again from nothing", func(w map[string]float64) bool { return near1(w["length"], 80*foot) }},
	} {
		t.Run(c.form, func(t *testing.T) {
			d := &desk{}
			l := serveLive(t, dashboardOf(d))
			l.show(base)
			b := openCabin(t, l)
			eval[string](b, `localStorage.setItem("hoistward.units", "oilfield") ?? ""`)
			withPerson(b)
			b.do(chromedp.Reload())
			b.until(`document.getElementById("stale").hidden && document.querySelector("#load .value").innerText.includes("klbf")`)
			b.do(chromedp.Click(chromedp.ID("service-button")), chromedp.Click(chromedp.CSS(`[data-form="`+c.form+`"]`)))
			if _, asks := c.fill["length_m"]; !asks {
				b.do(chromedp.Click(chromedp.ID("form-look")))
				b.until(`document.getElementById("form-wrong").innerText.includes("Result: nothing is entered")`)
				b.do(chromedp.Click(chromedp.ID(map[bool]string{true: "field-passed-true", false: "field-passed-false"}[c.passed])))
			}
			for key, text := range c.fill {
				b.fill("field-"+key, text)
			}
			b.painted()
			b.shoot("form-" + c.form)
			b.do(chromedp.Click(chromedp.ID("form-look")))
			b.until(`document.getElementById("look-list").innerText.includes("` + c.look + `")`)
			b.do(chromedp.Click(chromedp.ID("look-confirm")))
			b.until(`!document.getElementById("service-choice").hidden`)
			acts := d.taken()
			if len(acts) != 1 || acts[0].Do != c.form || acts[0].Check() != nil || acts[0].Reason != c.fill["remark"] {
				t.Fatalf("the desk took %+v", acts)
			}
			k, got := acts[0].Work, map[string]float64{}
			for name, x := range map[string]*float64{"trip": k.TripHeight, "run": k.RunOn, "speed": k.Speed, "load": k.HookLoad, "pressure": k.Pressure, "held": k.Held, "length": k.Length} {
				if x != nil {
					got[name] = *x
				}
			}
			if !c.check(got) {
				t.Errorf("arrived as %v", got)
			}
			if asks := k.Passed != nil; asks && *k.Passed != c.passed {
				t.Errorf("passed %v, want %v", *k.Passed, c.passed)
			}
			b.noComplaints()
		})
	}
}

func near1(got, want float64) bool { return math.Abs(got-want) <= 1e-9*math.Abs(want) }
