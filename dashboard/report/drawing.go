package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// drawing is one figure as shapes; the template writes them, so that every text is
// escaped there.
type drawing struct {
	ID            int
	Title, Note   string
	Width, Height int
	Shapes        []shape
}

type shape struct {
	Path   string // d of a path
	Class  string
	Text   string
	X, Y   string
	Anchor string
}

func (d *drawing) path(class, path string) {
	if path != "" {
		d.Shapes = append(d.Shapes, shape{Path: path, Class: class})
	}
}

func (d *drawing) text(class, anchor, text string, x, y float64) {
	d.Shapes = append(d.Shapes, shape{Text: text, Class: class, Anchor: anchor, X: px(x), Y: px(y)})
}

func px(x float64) string { return strconv.FormatFloat(math.Round(x*10)/10, 'f', -1, 64) }

// Margins, in the figure's own units.
const (
	figureWidth = 760
	leftEdge    = 64.0
	rightEdge   = figureWidth - 14.0
	underneath  = 24.0
	lineApart   = 13.0
)

// plot is a drawing with axes.
type plot struct {
	drawing
	start    float64 // s since the report's window began
	window   float64 // s
	low      float64
	high     float64
	top, end float64 // y of high and of low
	unit     string
}

func (p *plot) x(t float64) float64 {
	return leftEdge + (t-p.start)/p.window*(rightEdge-leftEdge)
}

// holds tells whether t is on the time axis.
func (p *plot) holds(t float64) bool { return t >= p.start && t <= p.start+p.window }

func (p *plot) y(v float64) float64 {
	return p.end - (v-p.low)/(p.high-p.low)*(p.end-p.top)
}

// newPlot lays out a figure of the given series and marks.
func newPlot(id int, title string, height int, window float64, unit string, values []float64) *plot {
	p := &plot{drawing: drawing{ID: id, Title: title, Width: figureWidth, Height: height}, window: math.Max(window, 1e-3), unit: unit,
		top: 22, end: float64(height) - underneath}
	p.low, p.high = math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			p.low, p.high = math.Min(p.low, v), math.Max(p.high, v)
		}
	}
	if !(p.low <= p.high) {
		p.low, p.high = 0, 1
	}
	if p.high-p.low < 1e-9 {
		p.low, p.high = p.low-0.5, p.high+0.5
	}
	step := niceStep(p.high-p.low, 5)
	p.low, p.high = math.Floor(p.low/step+1e-9)*step, math.Ceil(p.high/step-1e-9)*step
	return p
}

func (p *plot) axes(t times, r *Report) {
	step := niceStep(p.high-p.low, 5)
	digits := max(0, int(math.Ceil(-math.Log10(step)-1e-9)))
	for i := 0; ; i++ {
		v := math.Round(p.low/step+float64(i))*step + 0 // no negative zero
		if v > p.high+step/2 {
			break
		}
		y := p.y(v)
		p.path("grid", fmt.Sprintf("M%s %sH%s", px(leftEdge), px(y), px(rightEdge)))
		p.text("tick", "end", strconv.FormatFloat(v+0, 'f', digits, 64), leftEdge-5, y+4)
	}
	p.text("unit", "start", p.unitWords(), 2, p.top-9)
	from := r.From.Add(time.Duration(p.start * 1e9))
	for _, m := range t.marks(from, from.Add(time.Duration(p.window*1e9)), 8) {
		x := p.x(m.t + p.start)
		p.path("tickmark", fmt.Sprintf("M%s %sv5", px(x), px(p.end)))
		p.text("tick", "middle", m.text, math.Min(math.Max(x, leftEdge), rightEdge-16), p.end+17)
	}
	p.path("frame", fmt.Sprintf("M%s %sV%sH%s", px(leftEdge), px(p.top), px(p.end), px(rightEdge)))
}

func (p *plot) unitWords() string {
	if p.unit == "" {
		return "factor"
	}
	return unitWord(p.unit)
}

// limit draws a line across with its name.
func (p *plot) limit(name string, v float64) {
	if math.IsNaN(v) || v < p.low || v > p.high {
		return
	}
	y := p.y(v)
	p.path("limit", fmt.Sprintf("M%s %sH%s", px(leftEdge), px(y), px(rightEdge)))
	p.text("limitname", "end", fmt.Sprintf("%s %s %s", name, figure(v), unitWord(p.unit)), rightEdge-2, y-3)
}

// longStep is the step, s, from which on a line through least and most would show
// moves that nobody saw: they are drawn as ranges. Chosen here.
const longStep = 1.0

// ranges fills each step from its least to its most.
func (p *plot) ranges(s *Series) {
	var b strings.Builder
	for _, q := range s.Points {
		if !q.Known() {
			continue
		}
		// Steps lie on whole multiples; the point's time is that of its first reading.
		from := math.Floor(q.T/s.Step) * s.Step
		top, end := p.y(q.Max), p.y(q.Min)
		fmt.Fprintf(&b, "M%s %sH%sV%sH%sZ", px(p.x(from)), px(top), px(math.Min(p.x(from+s.Step), rightEdge)), px(end), px(p.x(from)))
	}
	p.path("range", b.String())
}

// line draws a series, each point from its least to its most.
func (p *plot) line(class string, s *Series) {
	if s.Step >= longStep && class == "line" {
		p.ranges(s)
		return
	}
	var b strings.Builder
	for _, run := range s.runs() {
		for i, q := range run {
			verb := "L"
			if i == 0 {
				verb = "M"
			}
			x := px(p.x(q.T))
			b.WriteString(verb + x + " " + px(p.y(q.Min)))
			if q.Max > q.Min {
				b.WriteString("V" + px(p.y(q.Max)))
			} else if len(run) == 1 {
				b.WriteString("h1.5")
			}
		}
	}
	p.path(class, b.String())
}

// band fills between two series where both are known.
func (p *plot) band(class string, from, to *Series) {
	var b strings.Builder
	j := 0
	for _, run := range from.runs() {
		var out, back []string
		for _, q := range run {
			for j < len(to.Points) && to.Points[j].T < q.T-to.Step/2 {
				j++
			}
			if j == len(to.Points) || !to.Points[j].Known() || to.Points[j].T > q.T+to.Step/2 {
				p.close(&b, &out, &back)
				continue
			}
			o := to.Points[j]
			far := o.Max
			if o.Min < q.Min {
				far = o.Min
			}
			x := px(p.x(q.T))
			out = append(out, x+" "+px(p.y(p.within((q.Min+q.Max)/2))))
			back = append(back, x+" "+px(p.y(p.within(far))))
		}
		p.close(&b, &out, &back)
	}
	p.path(class, b.String())
}

func (p *plot) within(v float64) float64 { return math.Min(math.Max(v, p.low), p.high) }

func (p *plot) close(b *strings.Builder, out, back *[]string) {
	if len(*out) > 1 {
		b.WriteString("M" + strings.Join(*out, "L"))
		for i := len(*back) - 1; i >= 0; i-- {
			b.WriteString("L" + (*back)[i])
		}
		b.WriteString("Z")
	}
	*out, *back = nil, nil
}

// unknown hatches the times in which the series is not known.
func (p *plot) unknown(s *Series) {
	at := p.start
	var gaps [][2]float64
	for _, run := range s.runs() {
		gaps = append(gaps, [2]float64{at, run[0].T})
		at = run[len(run)-1].T
		if s.Step >= longStep {
			at = (math.Floor(at/s.Step) + 1) * s.Step // the range reaches to there
		}
	}
	gaps = append(gaps, [2]float64{at, p.start + p.window})
	for _, g := range gaps {
		if least := math.Max(s.Breaks, 2*s.Step); g[1]-g[0] < least && !s.missing(g) {
			continue
		}
		a, b := p.x(g[0]), p.x(math.Min(g[1], p.start+p.window))
		p.path("hatch", fmt.Sprintf("M%s %sH%sV%sH%sZ", px(a), px(p.top), px(b), px(p.end), px(a)))
		if b-a > 70 {
			p.text("gapname", "middle", "not known", (a+b)/2, (p.top+p.end)/2+4)
		}
	}
}

// missing tells whether the series says itself that it is not known between g.
func (s *Series) missing(g [2]float64) bool {
	for _, q := range s.Points {
		if q.T > g[0] && q.T < g[1] && !q.Known() {
			return true
		}
	}
	return false
}

// mostMarks is how many alarms a figure marks with their numbers; of more, the urgent.
const mostMarks = 30

// alarms marks when alarms were raised: a dotted line, and where names is set the
// number with the bars of its priority above it.
func (p *plot) alarms(r *Report, names bool) {
	least := 1
	if len(r.Alarms) > mostMarks {
		least = 3
	}
	var ends [3]float64
	for _, a := range r.Alarms {
		at := a.At.Sub(r.From).Seconds()
		if a.Bars < least || !p.holds(at) {
			continue
		}
		x := p.x(at)
		p.path("mark", fmt.Sprintf("M%s %sV%s", px(x), px(p.top), px(p.end)))
		if !names {
			continue
		}
		row := 0
		for row < len(ends) && ends[row] > x {
			row++
		}
		if row == len(ends) {
			continue // the table has it
		}
		ends[row] = x + 34
		y := p.top - 4 - float64(row)*lineApart
		p.priority(x+2, y, a.Bars)
		p.text("marknumber", "start", strconv.Itoa(a.N), x+19, y)
	}
}

// priority draws one to four filled bars of four, standing on (x, y).
func (p *plot) priority(x, y float64, bars int) {
	for i := range 4 {
		class := "bar off"
		if i < bars {
			class = "bar on"
		}
		p.path(class, fmt.Sprintf("M%s %sl2 -9h2.4l-2 9z", px(x+3.8*float64(i)), px(y)))
	}
}

// niceStep returns 1, 2 or 5 times a power of ten that cuts the span in about n.
func niceStep(span float64, n int) float64 {
	raw := span / float64(n)
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, f := range []float64{1, 2, 5} {
		if raw <= f*power*(1+1e-9) {
			return f * power
		}
	}
	return 10 * power
}

// figure writes a number with as many digits as a person wants.
func figure(v float64) string {
	digits := 2
	switch a := math.Abs(v); {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return "not known"
	case a >= 100:
		digits = 0
	case a >= 10:
		digits = 1
	}
	if math.Abs(v) < 0.5*math.Pow(10, -float64(digits)) {
		v = 0 // no negative zero
	}
	return strconv.FormatFloat(v, 'f', digits, 64)
}

func unitWord(unit string) string {
	if unit == "degC" {
		return "°C"
	}
	return unit
}
