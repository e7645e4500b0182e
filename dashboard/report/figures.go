package report

import (
	"fmt"
	"math"
	"strings"
)

// figures draws a report's figures.
func figures(r *Report, t times) []drawing {
	if r.Empty != "" {
		return nil
	}
	f := figurer{r: r, t: t, window: r.To.Sub(r.From).Seconds()}
	f.height()
	f.lines("Velocity of the block, up positive", 150, "", plain{qVelocity, "line"})
	f.lines("Hook load as read", 150, "drawworks.rated_load", plain{qHookLoad, "line"})
	f.lines("Brake pressure as read", 150, "brakes.service.full_pressure", plain{qPressure, "line"})
	f.heat()
	f.friction()
	if r.Incident != nil {
		f.strips(r.Incident.Channels)
	}
	return f.out
}

type figurer struct {
	r      *Report
	t      times
	window float64
	out    []drawing
}

type plain struct {
	quantity int
	class    string
}

func (f *figurer) series(q int) *Series { return &f.r.Series[q] }

// span lists what a plot's axis has to hold.
func (f *figurer) span(also []float64, quantities ...int) []float64 {
	v := also
	for _, q := range quantities {
		for _, p := range f.series(q).Points {
			v = append(v, p.Min, p.Max)
		}
	}
	return v
}

func (f *figurer) plot(title string, height int, unit string, values []float64) *plot {
	return newPlot(len(f.out)+1, title, height, f.window, unit, values)
}

func (f *figurer) finish(p *plot, names bool) {
	p.alarms(f.r, names)
	if i := f.r.Incident; i != nil {
		x := p.x(i.At.Sub(f.r.From).Seconds())
		p.path("incident", fmt.Sprintf("M%s %sV%s", px(x), px(p.top), px(p.end)))
	}
	f.out = append(f.out, p.drawing)
}

func (f *figurer) height() {
	r := f.r
	p := f.plot("Block height, limits and stopping shadow", 320, "m",
		f.span([]float64{0, r.limit("mast.crown_height"), r.limit("mast.crown_limit"), r.limit("mast.floor_limit")}, qHeight))
	if r.Incident == nil {
		p.Title, p.Note = "Block height and limits", "Filled: from the least to the most of each minute. "
	} else {
		p.Note = "Solid line: the block. Dark band: from the block to where it is expected to come to rest if it were stopped at that moment, " +
			"in its direction of travel. Light band with dashed edge: to where 99 % of stops stay inside. Line of long dashes: the time of the incident. "
	}
	p.Note += "Dotted lines with a number: alarms of the table, one to four filled bars for their priority. Hatched: not known."
	f.shadow(p, f.series(qHeight), f.series(qRest), f.series(qRestBound))
	if r.Incident != nil {
		f.closeUp()
	}
}

// closeBy is how far from the incident the close-up goes, s. Chosen here: a stop and
// what led to it.
const closeBy = 10.0

// closeUp draws the shadow again, larger, about the incident.
func (f *figurer) closeUp() {
	at := f.r.Incident.At.Sub(f.r.From).Seconds()
	from, to := math.Max(0, at-closeBy), math.Min(f.window, at+closeBy)
	if to-from > 0.7*f.window {
		return
	}
	height, rest, bound := f.series(qHeight).between(from, to), f.series(qRest).between(from, to), f.series(qRestBound).between(from, to)
	var span []float64
	for _, s := range []*Series{height, rest, bound} {
		for _, q := range s.Points {
			if math.Abs(q.Max) < 1.5*f.r.limit("mast.crown_height") { // a bound beyond the mast says no more there
				span = append(span, q.Min, q.Max)
			}
		}
	}
	p := f.plot("The same about the incident", 320, "m", span)
	p.start, p.window = from, to-from
	f.shadow(p, height, rest, bound)
}

func (f *figurer) shadow(p *plot, height, rest, bound *Series) {
	r := f.r
	p.top = 22 + 2*lineApart
	p.unknown(height)
	p.axes(f.t, r)
	if r.Incident != nil {
		p.band("shadow bound", height, bound)
		p.line("shadowedge", f.clipped(p, bound))
		p.band("shadow expected", height, rest)
	}
	p.limit("crown, contact", r.limit("mast.crown_height"))
	p.limit("crown limit", r.limit("mast.crown_limit"))
	p.limit("floor limit", r.limit("mast.floor_limit"))
	p.line("line", height)
	f.finish(p, true)
}

// between returns the points of a part of the time.
func (s *Series) between(from, to float64) *Series {
	part := *s
	part.Points = nil
	for _, q := range s.Points {
		if q.T >= from && q.T <= to {
			part.Points = append(part.Points, q)
		}
	}
	return &part
}

// clipped is a series kept inside the plot.
func (f *figurer) clipped(p *plot, of *Series) *Series {
	s := *of
	points := make([]Point, 0, len(s.Points))
	for _, x := range s.Points {
		if x.Known() {
			x.Min, x.Max = p.within(x.Min), p.within(x.Max)
		}
		points = append(points, x)
	}
	s.Points = points
	return &s
}

func (f *figurer) lines(title string, height int, key string, all ...plain) {
	var qs []int
	for _, l := range all {
		qs = append(qs, l.quantity)
	}
	if !f.known(qs[0]) {
		return
	}
	limit := math.NaN()
	if key != "" {
		limit = f.r.limit(key)
	}
	p := f.plot(title, height, quantities[qs[0]].unit, f.span([]float64{0}, qs...))
	p.unknown(f.series(qs[0]))
	p.axes(f.t, f.r)
	p.limit(limitName(key), limit)
	for _, l := range all {
		p.line(l.class, f.series(l.quantity))
	}
	f.finish(p, false)
}

func limitName(key string) string {
	switch key {
	case "drawworks.rated_load":
		return "rated"
	case "brakes.service.full_pressure":
		return "full"
	}
	return ""
}

// known tells whether there is anything to draw of a quantity.
func (f *figurer) known(q int) bool {
	for _, p := range f.series(q).Points {
		if p.Known() {
			return true
		}
	}
	return false
}

// how says how the main quantity of a figure is drawn.
func (f *figurer) how() string {
	if f.r.Incident == nil {
		return "Filled, the least to the most of each minute: "
	}
	return "Solid: "
}

func (f *figurer) heat() {
	if !f.known(qHeat) {
		return
	}
	amber, red := f.r.limit("brakes.heat.amber"), f.r.limit("brakes.heat.red")
	p := f.plot("Brake temperature, expected and bound", 190, "degC", f.span([]float64{0, amber, red}, qHeat, qHeatBound))
	p.unknown(f.series(qHeat))
	p.axes(f.t, f.r)
	p.limit("amber", amber)
	p.limit("red", red)
	p.line("dashed", f.series(qHeatBound))
	p.line("line", f.series(qHeat))
	p.Note = f.how() + "expected. Dashed: bound, by which the alarms are judged."
	f.finish(p, false)
}

func (f *figurer) friction() {
	if !f.known(qFriction) {
		return
	}
	p := f.plot("Friction of the lining, present over commissioned", 170, "", f.span([]float64{0, 1}, qFriction, qFrictionHigh))
	p.unknown(f.series(qFriction))
	p.axes(f.t, f.r)
	p.line("dashed", f.series(qFrictionLow))
	p.line("dashed", f.series(qFrictionHigh))
	p.line("line", f.series(qFriction))
	p.Note = f.how() + "expected. Dashed: its 95 % interval."
	f.finish(p, false)
}

// strips draws the quality of each channel: an open band is good, dots are uncertain,
// hatched is bad.
func (f *figurer) strips(channels []Strip) {
	if len(channels) == 0 {
		return
	}
	const each = 22.0
	p := f.plot("Quality of the readings, channel by channel", int(22+each*float64(len(channels))+underneath), "", nil)
	p.Note = "Open band: good. Dots: uncertain. Hatched: bad, with the reason where there is room; the table below lists them."
	p.drawing.Shapes = nil
	for i, s := range channels {
		y := p.top + each*float64(i)
		p.text("channel", "start", spaced(s.Channel), 2, y+14)
		for _, part := range s.Parts {
			a, b := f.stripX(part.From), f.stripX(part.To)
			p.path("strip "+part.Quality, fmt.Sprintf("M%s %sH%sV%sH%sZ", px(a), px(y+3), px(b), px(y+each-3), px(a)))
			if text := strings.TrimSpace(part.Reason); part.Quality != "good" && b-a > 7*float64(len(text)) {
				p.text("gapname", "middle", text, (a+b)/2, y+14.5)
			}
		}
	}
	for _, m := range f.t.marks(f.r.From, f.r.To, 6) {
		x := f.stripX(m.t)
		p.path("tickmark", fmt.Sprintf("M%s %sv5", px(x), px(p.end)))
		p.text("tick", "middle", m.text, math.Min(x, rightEdge-16), p.end+17)
	}
	f.out = append(f.out, p.drawing)
}

// stripLeft leaves room for the names of channels.
const stripLeft = 140.0

func (f *figurer) stripX(t float64) float64 {
	return stripLeft + math.Min(t/math.Max(f.window, 1e-3), 1)*(rightEdge-stripLeft)
}
