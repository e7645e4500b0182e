package dashboard_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"hoistward/dashboard"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

func tourOptions() dashboard.Options {
	return dashboard.Options{Desk: &desk{}, Happened: func(rigs []string, from, to time.Time, most int) (dashboard.Happened, error) {
		var h dashboard.Happened
		for i, line := range []string{
			`{"time":%q,"rig":"southmoor-3","alarm":"brake_hot","event":"raised","state":"unacknowledged","priority":"medium","reason":"bound above amber"}`,
			`{"time":%q,"rig":"southmoor-3","alarm":"brake_hot","event":"acknowledged","state":"acknowledged","priority":"medium","person":"B. Example","reason":"seen"}`,
			`{"time":%q,"rig":"southmoor-3","alarm":"reading_lost","channel":"hook_load","event":"input_bad","state":"normal","priority":"high","reason":"late"}`,
		} {
			h.Events = append(h.Events, json.RawMessage(fmt.Sprintf(line, to.Add(time.Duration(i-60)*time.Minute).Format(time.RFC3339))))
		}
		return h, nil
	}}
}

// The tour-change page says what stands, what is put aside, what is due and what happened,
// and prints in black on white without its switches.
func TestTourChange(t *testing.T) {
	f := serveFleet(t, tourOptions(), troubled)
	eventually(t, "all are heard", func() bool { return f.seq.Load() > 2 })
	b := startBrowser(t)
	b.do(chromedp.Navigate(f.url + "/fleet/tour"))
	b.until(`document.querySelectorAll("#rigs .rig").length === 40`)
	section := func(name string) string {
		return eval[string](b, fmt.Sprintf(`[...document.querySelectorAll("#rigs .rig")].find((e) => e.querySelector("h2").innerText.startsWith(%q)).innerText`, name))
	}
	for name, wants := range map[string][]string{
		"southmoor-3":  {"emergency: Overhoist", "not acknowledged", "low: Brake heading hot", "brake hot", "acknowledged", "B. Example", "bound above amber"},
		"northfell-4":  {"shelved by C. Example", "sensor is being changed", "No alarm stands.", "Crown saver"},
		"greyscar-4":   {"medium: Brake hot", "acknowledged by B. Example"},
		"westhag-4":    {"crown: cannot be told"},
		"ashby-moss-2": {"No reading for", "what follows was so then"},
	} {
		text := section(name)
		for _, want := range wants {
			if !strings.Contains(text, want) {
				t.Errorf("%s: want %q in %q", name, want, text)
			}
		}
	}
	if strings.Contains(section("southmoor-3"), "input bad") {
		t.Error("an alarm's own workings are told though nobody asked")
	}
	b.do(chromedp.Click(chromedp.ID("every")))
	b.until(`document.getElementById("rigs").innerText.includes("input bad")`)
	eval[string](b, `(() => { const e = document.getElementById("of-rig"); e.value = "southmoor-3"; e.dispatchEvent(new Event("change")); return ""; })()`)
	b.until(`document.querySelectorAll("#rigs .rig").length === 1`)
	for _, name := range []string{"day", "night"} {
		theme(b, name)
		b.shoot("tour-" + name)
		if bad := eval[string](b, contrastJS); bad != "" {
			t.Errorf("by %s: %s", name, bad)
		}
	}
	if _, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}); err != nil {
		t.Fatal(err)
	}
	if !eval[bool](b, `getComputedStyle(document.body).backgroundColor === "rgb(255, 255, 255)" && getComputedStyle(document.body).color === "rgb(0, 0, 0)" && !document.getElementById("print").checkVisibility()`) {
		t.Error("it does not print in black on white without its switches")
	}
	b.shoot("tour-printed")
	b.noComplaints()
}

func TestHelpAndStartAreRead(t *testing.T) {
	l := serveLive(t, dashboard.Options{Desk: &desk{}})
	l.show(lowering)
	b := startBrowser(t)
	for _, path := range []string{"/help", "/"} {
		b.do(chromedp.Navigate(l.url + path))
		b.until(`document.getElementById("theme-button").innerText !== ""`)
		for _, name := range []string{"day", "night"} {
			theme(b, name)
			if bad := eval[string](b, contrastJS); bad != "" {
				t.Errorf("%s by %s: %s", path, name, bad)
			}
			b.shoot(fmt.Sprintf("page%s-%s", strings.ReplaceAll(path, "/", "-"), name))
		}
		text := eval[string](b, `document.body.innerText`)
		for _, want := range []string{"Advisory only.", "no crown or floor limit device", "the local rules", "competent, licensed people"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s lacks %q", path, want)
			}
		}
	}
	for _, link := range []string{"/fleet", "/fleet/tour", "/help"} {
		if !eval[bool](b, fmt.Sprintf(`Boolean(document.querySelector('a[href=%q]'))`, link)) {
			t.Errorf("the start page does not lead to %s", link)
		}
	}
	b.noComplaints()
}
