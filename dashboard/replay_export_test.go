package dashboard_test

import (
	"bytes"
	"encoding/base64"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// saved presses a button and returns the name and the content of the file that the page
// hands to the browser.
func (b *browser) saved(button string) (name string, content []byte) {
	b.t.Helper()
	eval[bool](b, fmt.Sprintf(`(() => {
		let made = null; // the page may not fetch what it made itself
		window.saved = null;
		URL.createObjectURL = (blob) => { made = blob; return "blob:made"; };
		HTMLAnchorElement.prototype.click = function () {
			const name = this.download;
			(made ? Promise.resolve(made) : fetch(this.href).then((r) => r.blob())).then((blob) => {
				const reader = new FileReader();
				reader.onload = () => { window.saved = [name, reader.result.split(",")[1]]; };
				reader.readAsDataURL(blob);
			});
		};
		document.getElementById(%q).click();
		return true;
	})()`, button))
	b.until(`window.saved`)
	list := eval[[]string](b, `window.saved`)
	content, err := base64.StdEncoding.DecodeString(list[1])
	if err != nil {
		b.t.Fatal(err)
	}
	return list[0], content
}

// svgFigure is what is looked at of a figure.
type svgFigure struct {
	texts []string
	paths [][][2]float64 // the points of each line
	gaps  int
}

func readSVG(t *testing.T, content []byte) svgFigure {
	t.Helper()
	var f svgFigure
	d := xml.NewDecoder(bytes.NewReader(content))
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return f
		}
		if err != nil {
			t.Fatalf("the figure is not XML: %v", err)
		}
		switch e := tok.(type) {
		case xml.CharData:
			f.texts = append(f.texts, string(e))
		case xml.StartElement:
			for _, a := range e.Attr {
				switch {
				case e.Name.Local == "path" && a.Name.Local == "d":
					f.paths = append(f.paths, points(t, a.Value))
				case a.Name.Local == "fill" && a.Value == "url(#gap)":
					f.gaps++
				}
			}
		}
	}
}

func points(t *testing.T, d string) [][2]float64 {
	t.Helper()
	var list [][2]float64
	for part := range strings.FieldsFuncSeq(d, func(r rune) bool { return r == 'M' || r == 'L' }) {
		var x, y float64
		if _, err := fmt.Sscan(part, &x, &y); err != nil || math.IsNaN(x+y) || math.IsInf(x+y, 0) {
			t.Fatalf("point %q of a line: %v", part, err)
		}
		list = append(list, [2]float64{x, y})
	}
	return list
}

// The figures are what is on the screen: the limit and the alarms by name, the silence
// hatched, and the line of the height where the table says that the block was.
func TestReplayFigures(t *testing.T) {
	b := openReplay(t)
	name, content := b.saved("save-csv")
	if !strings.HasSuffix(name, "-table.csv") {
		t.Errorf("the table is named %q", name)
	}
	r := csv.NewReader(bytes.NewReader(content))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 400 {
		t.Fatalf("table of %d rows: %v", len(rows), err)
	}
	highest, at := math.Inf(-1), time.Time{}
	column := func(starts string) int {
		for i, h := range rows[0] {
			if strings.HasPrefix(h, starts) {
				return i
			}
		}
		t.Fatalf("no column %q in %q", starts, rows[0])
		return 0
	}
	height, clock := column("height_m"), column("received")
	for _, row := range rows[1:] {
		if h, err := strconv.ParseFloat(row[height], 64); err == nil && h > highest {
			highest = h
			if at, err = time.Parse(time.RFC3339Nano, row[clock]); err != nil {
				t.Fatal(err)
			}
		}
	}

	name, content = b.saved("save-svg")
	f := readSVG(t, content)
	all := strings.Join(f.texts, "\n")
	for _, want := range []string{"R1, 2026-11-24", "crown limit", "Overhoist", "Advisory only", "12:00:30"} {
		if !strings.Contains(all, want) {
			t.Errorf("%s: no %q in\n%s", name, want, all)
		}
	}
	if !strings.HasSuffix(name, "-figure.svg") || f.gaps == 0 || len(f.paths) < 5 {
		t.Errorf("%s: %d gaps, %d lines: want the silence hatched and a line for each channel", name, f.gaps, len(f.paths))
	}
	// The first plot is the height's: where its line is highest the block was.
	top := [2]float64{0, math.Inf(1)}
	for _, p := range f.paths[0] {
		if p[1] < top[1] {
			top = p
		}
	}
	const gutter, inner = 72.0, 1200.0 - 72 - 12
	if want := gutter + inner*float64(at.Sub(replayBegin))/float64(time.Minute); math.Abs(top[0]-want) > inner/60 {
		t.Errorf("the line is highest at x = %.1f, want %.1f, where the height was %.2f m", top[0], want, highest)
	}

	name, content = b.saved("save-png")
	img, err := png.Decode(bytes.NewReader(content))
	if err != nil || !strings.HasSuffix(name, "-figure.png") {
		t.Fatalf("%s: %v", name, err)
	}
	if wide, high := img.Bounds().Dx(), img.Bounds().Dy(); wide < 600 || high < 300 || inkOf(img) < 0.005 {
		t.Errorf("%s: %d by %d, %.4f of it ink", name, wide, high, inkOf(img))
	}
	b.noComplaints()
}

// inkOf is the share of dark points.
func inkOf(img image.Image) float64 {
	dark, box := 0, img.Bounds()
	for y := box.Min.Y; y < box.Max.Y; y++ {
		for x := box.Min.X; x < box.Max.X; x++ {
			if r, g, bl, _ := img.At(x, y).RGBA(); r+g+bl < 3*0x5000 {
				dark++
			}
		}
	}
	return float64(dark) / float64(box.Dx()*box.Dy())
}

// The slider by mouse and by keyboard, and a part of a recording opened by keys alone.
func TestReplayScrubAndOpenByKeyboard(t *testing.T) {
	b := openReplay(t)
	whole := eval[string](b, `document.body.dataset.drawn`)
	x, y := b.where("#scrub", 0.25)
	b.mouse(input.DispatchMouseEventTypeMousePressed, x, y)
	b.mouse(input.DispatchMouseEventTypeMouseReleased, x, y)
	// 60 s with a reading and a tick in each tenth of a second and none in 7 s.
	b.until(`/12:00:1[45]/.test(document.getElementById("scrub").getAttribute("aria-valuetext"))`)
	b.until(`document.activeElement.id === "scrub"`)
	row := b.row()
	b.press(kb.ArrowRight)
	b.untilRow(row + 1)
	b.press(kb.ArrowLeft)
	b.untilRow(row)

	b.do(chromedp.Focus(chromedp.ID("from-time")))
	eval[bool](b, `document.getElementById("from-time").select() ?? true`)
	b.do(chromedp.KeyEvent("2026-11-24T12:00:10Z"), chromedp.KeyEvent(kb.Enter))
	b.until(fmt.Sprintf(`document.body.dataset.drawn && document.body.dataset.drawn !== %q`, whole))
	if got := eval[string](b, `document.body.dataset.drawn`); !strings.HasPrefix(got, strconv.FormatInt(replayBegin.Add(10*time.Second).UnixMilli(), 10)[:9]) {
		t.Errorf("drawn %q, want from 12:00:10", got)
	}
	b.noComplaints()
}
