package dashboard_test

import (
	"errors"
	"math"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

func (b *browser) noComplaints() {
	b.t.Helper()
	if errs := b.consoleErrors(); len(errs) > 0 {
		b.t.Errorf("the console holds:\n%s", strings.Join(errs, "\n"))
	}
}

func TestValuesHaveUnitAndAge(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(lowering)
	b := openCabin(t, l)
	for id, want := range map[string][]string{
		"flag": {"18.2", "m"}, "speed": {"0.84", "m/s down", "s old", "can stop from 1.92"}, "load": {"486", "kN", "s old", "rating"},
		"heat": {"226", "°C", "at most 240", "amber 250", "red 350", "s old"}, "friction": {"0.94", "0.88 to 1.01"}, "margin": {"1.9", "× the load"},
		"auxiliary": {"88", "% of braking"}, "line": {"64 %", "of 16\u202f000 MJ"}, "saver-proof": {"proven", "by A. Example"}, "pace": {"amber in 9 stands", "red not reached"}, "newest": {"s old"}, "chips": {"hook load", "kN", "11.40 MPa"},
		"act": {"over 10 s"}, "activity": {"tripping in, stand 41", "lowering, loaded"}, "links": {"plant: connected"}, "rejects": {"refused 3"},
	} {
		text := b.text(id)
		for _, part := range want {
			if !strings.Contains(text, part) {
				t.Errorf("%s shows %q, want %q in it", id, text, part)
			}
		}
	}
	if offset := b.text("clock"); len(strings.Fields(offset)) != 2 || !strings.ContainsAny(offset, "+\u2212") {
		t.Errorf("clock %q, want a time with its offset", offset)
	}
	l.show(func(seq uint64, now time.Time) *dashboard.Snapshot {
		s := lowering(seq, now)
		s.Channels[0].AgeS = num(7)
		return s
	})
	b.until(`/7\.\d s old/.test(document.querySelector("#load .age").innerText)`)
	b.noComplaints()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, url := range b.requests {
		if !strings.HasPrefix(url, l.url+"/") {
			t.Errorf("the page asks another host: %s", url)
		}
	}
	if len(b.requests) < 10 {
		t.Errorf("only %d requests seen: the watch does not work", len(b.requests))
	}
}

// The block rises; its bound reaches the crown limit's mark on the screen exactly
// when the page changes its state, before the block itself is there.
func TestShadowMeetsTheLimit(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	var height atomic.Uint64 // metres, as bits
	set := func(m float64) { height.Store(math.Float64bits(m)) }
	set(20)
	l.show(func(seq uint64, now time.Time) *dashboard.Snapshot {
		h := math.Float64frombits(height.Load())
		const speed = 1.5
		s := raising(seq, now, h, speed, math.Max(0, (41-(h+1.8))/speed))
		if h+1.8 >= 41 {
			s.Alarms = []dashboard.AlarmView{overhoistAlarm(now, "emergency")}
		}
		return s
	})
	b := openCabin(t, l)
	type place struct{ Bound, Limit, Block, Strip, Size float64 }
	measure := func(m float64) place {
		t.Helper()
		set(m)
		shown := strconv.FormatFloat(m, 'f', 1, 64)
		b.until(`document.getElementById("height").innerText.startsWith("` + shown + `")`)
		return eval[place](b, `(() => {
			const y = (id) => document.getElementById(id).getBoundingClientRect();
			const limit = y("limit-crown");
			return { Bound: y("shadow-bound").top, Limit: (limit.top + limit.bottom) / 2,
				Block: (y("block").top + y("block").bottom) / 2, Strip: y("strip").height,
				Size: parseFloat(getComputedStyle(document.getElementById("seconds")).fontSize) };
		})()`)
	}
	before := math.Inf(1)
	for _, m := range []float64{20, 30, 36, 38, 39} {
		p := measure(m)
		perMetre := p.Strip / 44
		if want := p.Limit + (41-(m+1.8))*perMetre; !(math.Abs(p.Bound-want) <= 2) {
			t.Errorf("block at %g m: the bound is drawn at %.1f px, want %.1f", m, p.Bound, want)
		}
		if !(p.Bound > p.Limit && p.Bound < before && p.Block > p.Bound) {
			t.Errorf("block at %g m: bound %.1f, limit %.1f, block %.1f px: want block below bound below limit, and rising", m, p.Bound, p.Limit, p.Block)
		}
		if state := eval[string](b, `document.getElementById("act").dataset.size + document.getElementById("shadow-end").hidden`); strings.HasPrefix(state, "3") || !strings.HasSuffix(state, "true") {
			t.Errorf("block at %g m: the alarm state %q is shown before the bound touches", m, state)
		}
		before = p.Bound
	}
	p := measure(39.2) // bound at 41.0 m
	if !(math.Abs(p.Bound-p.Limit) <= 2) {
		t.Errorf("the bound is at %.1f px and the limit's mark at %.1f, want them to meet", p.Bound, p.Limit)
	}
	b.until(`document.getElementById("act").dataset.size === "3"`)
	for what, js := range map[string]string{
		"the shadow's end takes its shape":      `!document.getElementById("shadow-end").hidden && getComputedStyle(document.getElementById("shadow-end")).clipPath.startsWith("polygon")`,
		"and the alarm's colour":                `getComputedStyle(document.getElementById("shadow-end")).backgroundColor === getComputedStyle(document.querySelector(".alarm .tag")).backgroundColor || getComputedStyle(document.querySelector(".alarm .tag")).animationName === "call"`,
		"a sentence says what to do":            `document.getElementById("act-sentence").innerText.includes("set the brake")`,
		"the alarm is in the list":              `document.querySelector(".alarm .tag").innerText.includes("EMERGENCY")`,
		"the seconds are the largest thing":     `[...document.querySelectorAll("body *")].filter((el) => el.getClientRects().length).every((el) => el.id === "seconds" || parseFloat(getComputedStyle(el).fontSize) < parseFloat(getComputedStyle(document.getElementById("seconds")).fontSize))`,
		"the block has not reached the limit":   `document.getElementById("block").getBoundingClientRect().top > document.getElementById("limit-crown").getBoundingClientRect().bottom`,
		"nothing of the act panel is cut off":   `document.getElementById("act").scrollHeight <= document.getElementById("act").clientHeight + 1`,
		"the bound's label names the alarm too": `document.getElementById("label-bound").dataset.priority === "emergency"`,
	} {
		if !eval[bool](b, js) {
			t.Errorf("not so: %s (%s)", what, js)
		}
	}
	b.noComplaints()
}

func TestAcknowledgeFromThePage(t *testing.T) {
	d := &desk{}
	l := serveLive(t, dashboard.Options{Desk: d})
	l.show(func(seq uint64, now time.Time) *dashboard.Snapshot {
		s := overhoist(seq, now)
		for range d.taken() {
			s.Alarms[0].CanAck, s.Alarms[0].Sounds, s.Alarms[0].State = false, false, "acknowledged"
		}
		return s
	})
	b := openCabin(t, l)
	b.until(`document.querySelector(".alarm .ack")`)
	d.mu.Lock()
	d.refuse = errors.New("the alarm has changed")
	d.mu.Unlock()
	// By keyboard: focus the button, press it, type the name, press Enter.
	b.do(chromedp.Focus(chromedp.CSS(".alarm .ack")))
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`document.getElementById("person").open`)
	b.do(chromedp.KeyEvent("A. Example"), chromedp.KeyEvent(kb.Enter))
	b.until(`document.getElementById("toast").innerText.includes("refused: the alarm has changed")`)
	d.mu.Lock()
	d.refuse, d.acts = nil, nil
	d.mu.Unlock()
	b.until(`!document.querySelector(".alarm .ack").hidden`)
	b.do(chromedp.Click(chromedp.CSS(".alarm .ack")))
	b.until(`document.getElementById("toast").innerText.includes("acknowledged by A. Example")`)
	b.until(`document.querySelector(".alarm .ack").hidden && document.querySelector(".alarm .since").innerText.includes("acknowledged")`)
	acts := d.taken()
	if len(acts) != 1 || acts[0].Do != "acknowledge" || acts[0].Alarm != "overhoist" || acts[0].Occurrence != 1 || acts[0].Version != 3 || acts[0].Person != "A. Example" {
		t.Errorf("the desk took %+v", acts)
	}
	// Only the refusal, which the browser logs as a failed request, is in the console.
	for _, e := range b.consoleErrors() {
		if !strings.Contains(e, "409") {
			t.Errorf("console: %s", e)
		}
	}
}

// Reset is its own act: it is offered only when the server says so, and an alarm
// that waits for it does not hold the middle of the page.
func TestResetOfALatchedAlarm(t *testing.T) {
	d := &desk{}
	l := serveLive(t, dashboard.Options{Desk: d})
	l.show(func(seq uint64, now time.Time) *dashboard.Snapshot {
		s := base(seq, now)
		if len(d.taken()) == 0 {
			a := overhoistAlarm(now, "emergency")
			a.State, a.Active, a.Sounds, a.CanAck, a.CanReset = "latched_acknowledged", false, false, false, true
			s.Alarms = []dashboard.AlarmView{a}
		}
		return s
	})
	b := openCabin(t, l)
	b.until(`!document.querySelector(".alarm .reset").hidden && document.querySelector(".alarm .ack").hidden`)
	if size := eval[string](b, `document.getElementById("act").dataset.size`); size != "0" {
		t.Errorf("an alarm whose condition is over holds the middle of the page: size %s", size)
	}
	eval[string](b, `localStorage.setItem("hoistward.person", "B. Example") ?? ""`)
	b.do(chromedp.Click(chromedp.CSS(".alarm .reset")))
	b.until(`document.getElementById("no-alarm").innerText === "No alarm stands."`)
	if acts := d.taken(); len(acts) != 1 || acts[0].Do != "reset" || acts[0].Person != "B. Example" {
		t.Errorf("the desk took %+v, want one reset by B. Example", acts)
	}
	b.noComplaints()
}

func TestSoundBannerUntilSoundRuns(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(overhoist)
	b := openCabin(t, l)
	if !eval[bool](b, `!document.getElementById("sound-banner").hidden && document.getElementById("sound-banner").getBoundingClientRect().height > 20`) {
		t.Error("there is no banner although nobody has touched the page")
	}
	eventually(t, "the server knows that the page is silent", func() bool { return l.Figures().Rigs[0].Silent == 1 })
	b.do(chromedp.Click(chromedp.ID("sound-banner")))
	b.until(`document.getElementById("sound-banner").hidden && document.getElementById("sound-button").innerText === "sound on"`)
	eventually(t, "the server knows that the page is heard", func() bool { r := l.Figures().Rigs[0]; return r.Sound == 1 && r.Silent == 0 })
	b.until(`!document.getElementById("silence").disabled`)
	b.do(chromedp.Click(chromedp.ID("silence")))
	b.until(`document.getElementById("silence").disabled`)
	if !eval[bool](b, `!document.querySelector(".alarm .ack").hidden`) {
		t.Error("silence acknowledged the alarm")
	}
	b.noComplaints()
}

func TestNotKnownIsHatchedWithItsReason(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(lowering)
	b := openCabin(t, l)
	b.until(`document.querySelector("#speed .num")`)
	l.show(blind)
	b.until(`document.getElementById("flag").classList.contains("hatched")`)
	for id, why := range map[string]string{"speed": "drum speed: lost", "friction": "no application seen", "auxiliary": "drum speed lost", "flag": "not calibrated", "why-up": "block height lost", "why-down": "block height lost", "act": "not known"} {
		if text := b.text(id); !strings.Contains(text, why) {
			t.Errorf("%s shows %q, want the reason %q", id, text, why)
		}
	}
	for _, js := range []string{
		`["#speed .value", "#speed .bar", "#friction .value", "#auxiliary .value", "#seconds", "#unknown-up", "#activity"].every((q) => getComputedStyle(document.querySelector(q)).backgroundImage.includes("repeating-linear-gradient"))`,
		`document.getElementById("block").hidden && document.getElementById("shadow-bound").hidden`,
		`!/0\.84|18\.2/.test(document.getElementById("page").innerText)`,
		`[...document.querySelectorAll(".chip.hatched")].map((c) => c.querySelector("b").innerText).join() === "block height,drum speed,drum counts"`,
		`document.querySelector("#links li").classList.contains("bad") && document.getElementById("recorder").classList.contains("bad")`,
	} {
		if !eval[bool](b, js) {
			t.Errorf("not so: %s", js)
		}
	}
	b.noComplaints()
}

// An answer that is gone is not drawn even if a number still comes with it.
func TestGoneAnswerHidesItsNumber(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(func(seq uint64, now time.Time) *dashboard.Snapshot {
		s := lowering(seq, now)
		for i := range s.Answers {
			s.Answers[i].State, s.Answers[i].Why = "gone", "for this test"
		}
		return s
	})
	b := openCabin(t, l)
	for _, id := range []string{"heat", "friction", "margin", "auxiliary", "why-down"} {
		if text := b.text(id); !strings.Contains(text, "for this test") {
			t.Errorf("%s shows %q, want the reason", id, text)
		}
	}
	if text := b.text("page"); strings.Contains(text, "226") || strings.Contains(text, "14.6") || strings.Contains(text, "1.92") {
		t.Errorf("a number of an answer that is gone is shown: %q", text)
	}
}

func TestNightFollowsTheMachine(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(lowering)
	b := openCabin(t, l)
	for _, c := range []struct{ scheme, theme string }{{"dark", "night"}, {"light", "day"}} {
		_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: c.scheme}}})
		if err != nil {
			t.Fatal(err)
		}
		b.until(`document.documentElement.dataset.theme === "` + c.theme + `"`)
	}
}

func TestSwitchesAreKept(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(lowering)
	b := openCabin(t, l)
	b.do(chromedp.Click(chromedp.ID("you-button")), chromedp.Click(chromedp.ID("units-button")))
	// 18.2 m = 59.7 ft, 0.84 m/s = 165 ft/min, 1486 kN = 334.1 klbf, 226 °C = 439 °F, by hand.
	oilfield := `document.getElementById("flag").innerText.startsWith("60") && document.querySelector("#speed .num").innerText === "165" &&
		document.querySelector("#load .num").innerText === "334.1" && document.querySelector("#heat .num").innerText === "439"`
	b.until(oilfield)
	b.do(chromedp.Click(chromedp.ID("theme-button")), chromedp.Click(chromedp.ID("theme-button")))
	b.until(`document.documentElement.dataset.theme === "night"`)
	b.do(chromedp.Reload())
	b.until(`document.getElementById("stale").hidden && ` + oilfield)
	if theme := eval[string](b, `document.documentElement.dataset.theme`); theme != "night" {
		t.Errorf("after a reload the colours are of the %s, want night", theme)
	}
	b.noComplaints()
}

func TestStartPageLists(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}, Rigs: []string{"southmoor-2"}})
	l.show(overhoist)
	b := startBrowser(t)
	b.do(chromedp.Navigate(l.url + "/"))
	b.until(`document.getElementById("rigs").innerText.includes("first: Overhoist") && document.getElementById("rigs").innerText.includes("nothing heard yet")`)
	b.shoot("start-day")
	b.do(chromedp.Click(chromedp.CSS(`#rigs a[href="/cabin/northfell-1"]`)))
	b.until(`document.getElementById("stale")?.hidden`)
	b.noComplaints()
}
