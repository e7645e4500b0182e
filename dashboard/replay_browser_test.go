package dashboard_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"hoistward/configs"
	"hoistward/dashboard"
	"hoistward/dashboard/replay"
	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/record"
	"hoistward/simulator"
)

var (
	replayBegin = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	replaySpike = replayBegin.Add(20500 * time.Millisecond)
)

// recordOverhoist records a minute in which an empty block is run into the crown, after
// hours of work; one sample of the coil's current stands alone, and half a minute before
// the end is missing.
func recordOverhoist(t *testing.T, dir string) {
	t.Helper()
	rig, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(dir, record.Options{Software: "hoistward test"})
	if err != nil {
		t.Fatal(err)
	}
	seq := uint64(0)
	put := func(e ingest.Entry) {
		seq++
		e.Rig, e.Seq = "R1", seq
		if err := rec.Put(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
	sc, err := simulator.LoadScenario("overhoist")
	if err != nil {
		t.Fatal(err)
	}
	run, err := simulator.New(rig, sc, 3)
	if err != nil {
		t.Fatal(err)
	}
	run.Start(replayBegin)
	var channels []string
	for _, c := range sc.Channels {
		channels = append(channels, c.String())
	}
	put(ingest.Entry{Received: replayBegin, Kind: ingest.EntrySession, Session: &ingest.Session{Software: "hoistward test", RigFile: string(text), Channels: channels}})
	var m ingest.Sample
	var truth simulator.Truth
	for run.Next(&m, &truth) {
		after := m.Time.Sub(replayBegin)
		if after > 45*time.Second && after < 52*time.Second {
			continue
		}
		if m.Time.Equal(replaySpike) {
			m.Set(ingest.AuxiliaryCurrent, ingest.Number(111.5))
		}
		put(ingest.Entry{Received: m.Time, Kind: ingest.EntrySample, Sample: m})
	}
	if err := rec.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
}

func openReplay(t *testing.T) *browser {
	t.Helper()
	dir := t.TempDir()
	recordOverhoist(t, dir)
	set := func(text []byte, settings []string) ([]byte, error) {
		for _, s := range settings {
			for i := range s {
				if s[i] == '=' {
					var err error
					if text, err = configs.Set(text, s[:i], s[i+1:]); err != nil {
						return nil, err
					}
					break
				}
			}
		}
		return text, nil
	}
	desk := replay.New(replay.Options{Library: replay.NewLibrary(dir), Set: set, Keys: func(text []byte) any { return configs.Keys(text) },
		Open: func(text []byte) (*hoist.Rig, error) { return configs.OpenRig(text) }})
	t.Cleanup(func() { _ = desk.Close(context.Background()) })
	l := serveLive(t, dashboard.Options{Replay: desk.Handler()})
	b := startBrowser(t)
	b.do(chromedp.Navigate(l.url + "/replay"))
	b.until(`document.body.dataset.drawn && document.body.dataset.row && document.querySelector("#what-key option")`)
	return b
}

func (b *browser) press(key string) {
	b.t.Helper()
	b.do(chromedp.KeyEvent(key))
}

func (b *browser) row() int { return eval[int](b, `Number(document.body.dataset.row)`) }

func (b *browser) untilRow(want int) {
	b.t.Helper()
	b.until(fmt.Sprintf(`document.body.dataset.row === "%d"`, want))
}

// where is the middle of an element on the screen, x at a share of its width.
func (b *browser) where(selector string, share float64) (x, y float64) {
	b.t.Helper()
	at := eval[[]float64](b, fmt.Sprintf(`(() => { const r = document.querySelector(%q).getBoundingClientRect(); return [r.left + r.width * %g, r.top + r.height / 2]; })()`, selector, share))
	return at[0], at[1]
}

func (b *browser) mouse(kind input.DispatchMouseEventType, x, y float64) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	p := input.DispatchMouseEventParams{Type: kind, X: x, Y: y, Button: input.MouseButtonLeft, ClickCount: 1}
	if kind == input.DispatchMouseEventTypeMouseMoved {
		p.Buttons = 1
	}
	if _, err := chromedp.Call(ctx, input.DispatchMouseEvent, p); err != nil {
		b.t.Fatal(err)
	}
}

// The engineer's desk by mouse and by keyboard alone: step, alarms, zoom, play, what if,
// with pictures by day and by night, and nothing on the console.
func TestReplayPage(t *testing.T) {
	b := openReplay(t)
	if got := b.text("alarm-list"); !slices.Contains(eval[[]string](b, `[...document.querySelectorAll(".alarm-list .what")].map((e) => e.firstChild.data)`), "Overhoist") {
		t.Errorf("alarm list %q, want the overhoist", got)
	}

	// By keyboard.
	start := b.row()
	t.Log("start", start)
	eval[string](b, `document.getElementById("plots").focus() ?? ""`)
	step := func(js string, want int) {
		t.Helper()
		eval[string](b, `document.getElementById("plots").dispatchEvent(new KeyboardEvent("keydown", {bubbles: true, cancelable: true, `+js+`})) ? "" : ""`)
		b.untilRow(want)
	}
	step(`key: "ArrowRight"`, start+1)
	step(`key: "ArrowRight", shiftKey: true`, start+11)
	step(`key: "ArrowLeft"`, start+10)
	step(`key: "ArrowLeft", shiftKey: true`, start)
	before := eval[string](b, `document.body.dataset.drawn`)
	b.press("+")
	b.until(fmt.Sprintf(`document.body.dataset.drawn !== %q`, before))
	zoomed := eval[string](b, `document.body.dataset.drawn`)
	b.press("0")
	b.until(fmt.Sprintf(`document.body.dataset.drawn === %q`, before))
	b.press("]")
	b.until(fmt.Sprintf(`Number(document.body.dataset.row) > %d`, start))
	b.press("[")
	b.untilRow(start)
	if zoomed == before {
		t.Error("the zoom by keyboard changed nothing")
	}

	// Playing moves the cursor on its own; a second press stops it.
	b.press(" ")
	b.until(fmt.Sprintf(`Number(document.body.dataset.row) > %d`, start+5))
	b.press(" ")
	b.until(`document.getElementById("play").getAttribute("aria-pressed") === "false"`)

	// By mouse: a click sets the cursor, a drag zooms, the list of alarms jumps.
	x, y := b.where(`[data-plot="height"] canvas`, 0.5)
	b.mouse(input.DispatchMouseEventTypeMousePressed, x, y)
	b.mouse(input.DispatchMouseEventTypeMouseReleased, x, y)
	b.until(fmt.Sprintf(`document.body.dataset.row && Math.abs(Number(document.body.dataset.row) - %d) > 20`, start))
	b.mouse(input.DispatchMouseEventTypeMousePressed, x, y)
	b.mouse(input.DispatchMouseEventTypeMouseMoved, x+60, y)
	b.mouse(input.DispatchMouseEventTypeMouseMoved, x+120, y)
	b.mouse(input.DispatchMouseEventTypeMouseReleased, x+120, y)
	b.until(fmt.Sprintf(`document.body.dataset.drawn !== %q`, before))
	eval[string](b, `document.getElementById("whole").click() ?? ""`)
	b.until(fmt.Sprintf(`document.body.dataset.drawn === %q`, before))
	eval[string](b, `document.querySelector("#alarm-list button").click() ?? ""`)
	b.untilRow(start)

	for _, theme := range []string{"day", "night"} {
		eval[string](b, fmt.Sprintf("document.documentElement.dataset.theme = %q", theme))
		b.painted()
		b.shootReplay("replay-" + theme)
	}
	eval[string](b, `document.documentElement.dataset.theme = "day"`)
	b.whatIf()
	if list := b.consoleErrors(); len(list) > 0 {
		t.Errorf("console: %q", list)
	}
}

// whatIf compares, and looks at both masts and at the table.
func (b *browser) whatIf() {
	b.t.Helper()
	eval[string](b, `(() => {
		document.getElementById("tab-whatif").click();
		document.getElementById("what-key").value = "brakes.service.dead_time";
		document.getElementById("what-value").value = "1.3 s";
		document.getElementById("what-add").click();
		document.getElementById("what-run").click();
		return "";
	})()`)
	b.until(`document.querySelector("#what-result table") && !document.getElementById("mast-box-changed").hidden`)
	if got := b.text("what-result"); !slices.ContainsFunc(eval[[]string](b, `[...document.querySelectorAll("#what-result td")].map((e) => e.textContent)`), func(s string) bool {
		return len(s) > 5 && s[:5] == "moves"
	}) {
		b.t.Errorf("what if: %q, want an alarm that moves", got)
	}
	b.painted()
	b.until(`document.querySelector("#mast-changed .flag").innerText.includes("m")`)
	b.shootReplay("replay-whatif-day")
}

// What is one sample long is on the plot when the whole is seen: dark points of the
// canvas stand at its place, above all others of the line.
func TestOneSampleIsOnTheCanvas(t *testing.T) {
	b := openReplay(t)
	eval[string](b, `(() => {
		for (const c of document.querySelectorAll("#plot-choice input")) if (c.checked !== (c.parentElement.innerText.trim() === "auxiliary coil")) c.click();
		return "";
	})()`)
	b.until(`document.querySelectorAll(".plot").length === 1`)
	b.painted()
	b.until(`document.body.dataset.drawn`)
	share := float64(replaySpike.Sub(replayBegin)) / float64(time.Minute)
	inked := func(at float64) int {
		return eval[int](b, fmt.Sprintf(`(() => {
			const canvas = document.querySelector(".plot canvas"), gutter = 72 * devicePixelRatio;
			const c = canvas.getContext("2d"), x = Math.round(gutter + %g * (canvas.width - gutter));
			const ground = c.getImageData(gutter + 3, Math.round(canvas.height * 0.4), 1, 1).data;
			const d = c.getImageData(x - 4, Math.round(canvas.height * 0.2), 9, Math.round(canvas.height * 0.4)).data;
			let n = 0;
			for (let i = 0; i < d.length; i += 4) if (d[i] < ground[0] - 80) n++;
			return n;
		})()`, at))
	}
	eventually(t, "the spike on the canvas", func() bool { return inked(share) > 10 })
	if beside := inked(share + 0.05); beside >= inked(share)/2 {
		t.Errorf("%d dark points beside the spike, %d on it", beside, inked(share))
	}
}

func TestReplayPageOnAPhone(t *testing.T) {
	b := openReplay(t)
	b.do(chromedp.EmulateViewport(390, 844))
	b.painted()
	if wide := eval[int](b, `document.documentElement.scrollWidth`); wide > 390 {
		t.Errorf("the page is %d px wide on a phone of 390", wide)
	}
	b.shootReplay("replay-phone")
}

// Each panel of the replay page, by day and by night.
func TestReplayIsAccessible(t *testing.T) {
	needAxe(t)
	b := openReplay(t)
	for _, theme := range []string{"day", "night"} {
		eval[string](b, fmt.Sprintf("document.documentElement.dataset.theme = %q", theme))
		for _, tab := range []string{"alarms", "values", "whatif", "export"} {
			eval[string](b, fmt.Sprintf(`document.getElementById("tab-%s").click() ?? ""`, tab))
			b.painted()
			b.accessible("replay, " + tab + " by " + theme)
		}
	}
}

func (b *browser) shootReplay(name string) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	r, err := chromedp.Call(ctx, page.CaptureScreenshot, page.CaptureScreenshotParams{Format: page.CaptureScreenshotFormatPng})
	if err != nil {
		b.t.Fatal(err)
	}
	dir := filepath.Join("..", "test-output", "replay")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), r.Data, 0o644); err != nil {
		b.t.Fatal(err)
	}
}
