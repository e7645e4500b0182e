package report

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
	"time"

	"hoistward/alarms/whatif"
	"hoistward/dashboard"
)

//go:embed assets
var assets embed.FS

var (
	style     = mustRead("assets/report.css")
	styleHash = hashOf(style)
	base      = template.Must(template.New("").Funcs(functions(times{zone: time.UTC})).ParseFS(assets, "assets/*.html"))
)

func mustRead(name string) string {
	text, err := assets.ReadFile(name)
	if err != nil {
		panic("report: " + err.Error()) // it is embedded
	}
	return string(text)
}

// hashOf is what the page's policy allows the style by: none that anybody slips in
// counts.
func hashOf(text string) string {
	sum := sha256.Sum256([]byte(text))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}

type document struct {
	R         *Report
	Kind      string
	TimeWords string
	Caution   string
	Style     template.CSS
	StyleHash string
	Figures   []drawing
}

// WriteHTML writes r as one HTML file that needs no script, no network and no other
// file. It shows times in zone, nil = UTC; the bytes depend on its arguments alone.
func WriteHTML(w io.Writer, r *Report, zone *time.Location) error {
	if zone == nil {
		zone = time.UTC
	}
	t := newTimes(r, zone)
	kind := "Tour"
	if r.Incident != nil {
		kind = "Incident"
	}
	p := document{R: r, Kind: kind, TimeWords: t.words(r), Caution: dashboard.Caution,
		Style: template.CSS(style), StyleHash: styleHash, Figures: figures(r, t)}
	set, err := base.Clone()
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	var b bytes.Buffer
	if err := set.Funcs(functions(t)).ExecuteTemplate(&b, "report", p); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(b.Bytes())
	return err
}

type titled struct {
	Title string
	List  []Standing
}

// functions are what the templates write numbers and times with.
func functions(t times) template.FuncMap {
	return template.FuncMap{
		"clock": t.clock, "full": t.full, "figure": figure, "unit": unitWord, "words": spaced, "title": title,
		"lasted": lasted, "percent": percent,
		"pair":   func(title string, list []Standing) titled { return titled{title, list} },
		"number": number,
		"instant": func(at *time.Time) string {
			if at == nil {
				return "not raised"
			}
			return t.clock(*at)
		},
		"after":   func(s float64) string { return fmt.Sprintf("%.1f s", s) },
		"minutes": func(s float64) string { return lasted(time.Time{}, time.Time{}.Add(time.Duration(s*1e9))) },
		"hours":   func(from, to time.Time) string { return lasted(from, to) },
		"fate":    fateWords,
		"spread":  spreadWords,
		"bars": func(n int) []shape {
			var d plot
			d.priority(0.5, 9.5, n)
			return d.Shapes
		},
	}
}

func number(x *float64, unit string) string {
	if x == nil {
		return "not known"
	}
	text := figure(*x)
	if *x == math.Trunc(*x) && unit == "" {
		text = fmt.Sprintf("%.0f", *x) // a count
	}
	if u := unitWord(unit); u != "" {
		text += " " + u
	}
	return text
}

func fateWords(s whatif.Shift) string {
	switch s.Fate {
	case whatif.Moves:
		if *s.Seconds < 0 {
			return fmt.Sprintf("%.1f s earlier", -*s.Seconds)
		}
		return fmt.Sprintf("%.1f s later", *s.Seconds)
	case whatif.Comes:
		return "comes"
	case whatif.Goes:
		return "does not come"
	}
	return "as recorded"
}

func spreadWords(name string, s whatif.Spread) string {
	if s.Frames == 0 {
		return name + ": not known on both sides in any frame."
	}
	return fmt.Sprintf("%s: moves by %+.3f m in the middle of %d frames, at most by %+.3f m.", name, s.Median, s.Frames, s.Largest)
}

// faultsShown of a channel are listed. Chosen here: the strip shows all.
const faultsShown = 12

// Faults returns the parts that are not plainly good, the first of them.
func (s Strip) Faults() []Part {
	list, _ := cut(s.faults(), faultsShown)
	return list
}

// More returns how many parts Faults leaves out.
func (s Strip) More() int {
	_, over := cut(s.faults(), faultsShown)
	return over + s.Omitted
}

func (s Strip) faults() []Part {
	var list []Part
	for _, p := range s.Parts {
		if p.Quality != "good" {
			list = append(list, p)
		}
	}
	return list
}
