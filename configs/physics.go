package configs

import (
	"fmt"
	"strings"

	"hoistward/detect/hoist"
)

// The numbers that stand in for those that could not be read.
const (
	standInLow  = 1e-9
	standInHigh = 1e9
)

// physical adds what hoist.Rig.Validate and the trade say of the rig, at the
// lines of its keys. Where numbers could not be read, only that is said which
// holds whether they are very small or very large: one mistake makes no others.
func (r *reader) physical(rig *hoist.Rig) {
	var found []hoist.Problem
	for i, standIn := range []float64{standInLow, standInHigh} {
		for _, set := range r.unread {
			set(standIn)
		}
		now := append(rig.Validate(), trade(rig)...)
		if i == 0 {
			found = now
			continue
		}
		found = common(found, now)
	}
	for _, set := range r.unread {
		set(0)
	}
	seen := map[string]bool{}
	for _, p := range found {
		if r.within(p.Path) || seen[p.Path] {
			continue
		}
		seen[p.Path] = true
		got := p.Got
		if raw, ok := r.raw[p.Path]; ok {
			got = raw
		}
		r.problems = append(r.problems, Problem{r.file, r.lineOf(p.Path), p.Path, got, p.Want})
	}
}

// within tells whether path, or a group that it stands in, has a problem already.
func (r *reader) within(path string) bool {
	for path != "" {
		if r.bad[path] {
			return true
		}
		path = path[:max(0, strings.LastIndexAny(path, ".["))]
	}
	return false
}

func common(a, b []hoist.Problem) (both []hoist.Problem) {
	for _, p := range a {
		for _, q := range b {
			if p == q {
				both = append(both, p)
				break
			}
		}
	}
	return both
}

// trade returns what no rig of the trade has although its physics could be worked
// out: keys that belie each other.
func trade(rig *hoist.Rig) []hoist.Problem {
	var found []hoist.Problem
	add := func(path, got, format string, a ...any) {
		found = append(found, hoist.Problem{Path: path, Got: got, Want: fmt.Sprintf(format, a...)})
	}
	m, line, drum, heat := &rig.Mast, &rig.Line, &rig.Drawworks.Drum, &rig.Heat
	if !(m.CrownSaverTrip <= m.CrownLimit) {
		add("mast.crown_saver_trip", fmt.Sprintf("%.6g m", m.CrownSaverTrip),
			"at most mast.crown_limit, %.6g m: a trip at the limit leaves no way to stop", m.CrownLimit)
	}
	if !(drum.GroovePitch >= line.Diameter && drum.GroovePitch <= 1.25*line.Diameter) {
		add("drawworks.drum.groove_pitch", fmt.Sprintf("%.6g mm", drum.GroovePitch*1e3),
			"1 to 1.25 times line.diameter, %.6g to %.6g mm", line.Diameter*1e3, 1.25*line.Diameter*1e3)
	}
	if !(drum.RootDiameter >= 8*line.Diameter) {
		add("drawworks.drum.root_diameter", fmt.Sprintf("%.6g mm", drum.RootDiameter*1e3),
			"at least 8 times line.diameter, %.6g mm", 8*line.Diameter*1e3)
	}
	if !(heat.Amber > heat.Ambient) {
		add("brakes.heat.amber", fmt.Sprintf("%.6g degC", heat.Amber.Celsius()),
			"above the air about the brake, %.6g degC", heat.Ambient.Celsius())
	}
	if !(rig.Uncertainty.Friction <= rig.Service.Friction/2) {
		add("uncertainty.friction", fmt.Sprintf("%.6g", rig.Uncertainty.Friction),
			"at most half of brakes.service.friction, %.6g", rig.Service.Friction/2)
	}
	return found
}
