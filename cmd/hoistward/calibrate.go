package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"hoistward/detect/hoist"
	"hoistward/ingest/units"
)

type calibrateCmd struct {
	calcOptions
	Point    []string `sep:"none" required:"" placeholder:"height=2.0m,counts=0" help:"A known height: height=, and wraps= (turned since any mark) or counts= (a total that does not wrap), and hook_load= where not that of the rig's reference; repeatable."`
	Wraps    string   `placeholder:"14" help:"Wraps on the drum at the mark, dead wraps included, as near as known; default from the rig's reference."`
	HeightSD string   `name:"height-sd" placeholder:"20mm" help:"One standard deviation of a known height; default 20 mm."`
}

func (c *calibrateCmd) Run(s *streams) error {
	rig, err := c.open()
	if err != nil {
		return err
	}
	var q quantities
	points, counted := c.points(&q, rig)
	sd := units.Metre(q.above0("--height-sd", c.HeightSD, units.Length, float64(hoist.HeightSD)))
	guess := q.atLeast0("--wraps", c.Wraps, units.Dimensionless, c.guess(rig, points))
	if err := q.err(); err != nil {
		return err
	}
	found, err := rig.Calibrate(points, guess, sd)
	if err != nil {
		return fmt.Errorf("calibrate: %w", err)
	}
	a := c.answer(rig, points, &found)
	reference := c.reference(rig, points, &found, counted)
	if !c.JSON {
		a.note = "For the rig file:\n\n" + reference + "\n" + a.note
	} else {
		a.metadata["rig_file"] = reference
	}
	return a.write(s.out, c.JSON, c.Units)
}

// points reads the known heights; counted tells that they came with counts.
func (c *calibrateCmd) points(q *quantities, rig *hoist.Rig) (points []hoist.KnownHeight, counted bool) {
	with := map[string]int{}
	for i, text := range c.Point {
		flag := fmt.Sprintf("--point %d", i+1)
		fields := map[string]string{}
		for field := range strings.SplitSeq(text, ",") {
			key, value, ok := strings.Cut(field, "=")
			key = strings.TrimSpace(key)
			switch {
			case !ok:
				q.wrong(flag, "got %q, want key=value", field)
			case key != "height" && key != "wraps" && key != "counts" && key != "hook_load":
				q.wrong(flag, "got the key %q, want height, wraps, counts or hook_load", key)
			case fields[key] != "":
				q.wrong(flag, "got %s twice", key)
			}
			fields[key] = strings.TrimSpace(value)
		}
		q.need(flag+" height", fields["height"], "2.0 m")
		p := hoist.KnownHeight{
			Height:   units.Metre(q.any(flag+" height", fields["height"], units.Length, math.NaN())),
			HookLoad: units.Newton(q.load(flag+" hook_load", fields["hook_load"], referenceLoad(rig))),
		}
		switch w, n := fields["wraps"], fields["counts"]; {
		case (w == "") == (n == ""):
			q.wrong(flag, "got %q, want either wraps or counts", text)
		case w != "":
			with["wraps"]++
			p.Wraps = q.any(flag+" wraps", w, units.Dimensionless, 0)
		default:
			with["counts"]++
			p.Wraps = q.any(flag+" counts", n, units.Dimensionless, 0) / rig.Drawworks.Encoder.CountsPerRevolution
			if !(rig.Drawworks.Encoder.CountsPerRevolution > 0) {
				q.wrong(flag, "got counts, but the rig file states no drawworks.encoder.counts_per_revolution")
			}
		}
		points = append(points, p)
	}
	if len(with) > 1 {
		q.wrong("--point", "got %d with wraps and %d with counts, want all of one kind", with["wraps"], with["counts"])
	}
	return points, with["counts"] > 0
}

func referenceLoad(rig *hoist.Rig) float64 {
	if rig.Reference.Set {
		return float64(rig.Reference.HookLoad)
	}
	return hanging(rig)
}

// guess returns the wraps on the drum at the mark by the rig's reference: the
// wraps that its map gives for the first point's height, less those turned.
func (c *calibrateCmd) guess(rig *hoist.Rig, points []hoist.KnownHeight) float64 {
	if m, err := hoist.NewMap(rig); err == nil && len(points) > 0 {
		if w := m.Wraps(points[0].Height, points[0].HookLoad) - points[0].Wraps; w >= 0 {
			return w
		}
	}
	return math.Max(rig.Reference.Wraps, 0)
}

func (c *calibrateCmd) answer(rig *hoist.Rig, points []hoist.KnownHeight, found *hoist.Calibration) *answer {
	a := &answer{
		title: "Drum-wrap map from known heights", rig: rig.Name, metadata: map[string]any{},
		formula: "h_i + δ(W_i, h_i) = b + L(R0 + x_i; rise)/n + e_i,  least Σ e_i²",
	}
	rows := make([]map[string]any, len(points))
	for i, p := range points {
		name := fmt.Sprintf("point %d: ", i+1)
		a.input(name+"height", float64(p.Height), units.Length)
		a.input(name+"wraps turned", p.Wraps, units.Dimensionless)
		a.input(name+"hook load", float64(p.HookLoad), units.Force)
		a.step(name+"height less map", float64(found.Residuals[i]), units.Length)
		rows[i] = map[string]any{
			"height_m": calcNumber(float64(p.Height)), "wraps": calcNumber(p.Wraps),
			"hook_load_kN": calcNumber(float64(p.HookLoad) / 1e3), "residual_m": calcNumber(float64(found.Residuals[i])),
		}
	}
	a.metadata["points"] = rows
	a.result("wraps on the drum at the mark, R0", "wraps", "", found.Wraps, units.Dimensionless)
	a.say("R0 solved from the points", "wraps_solved", found.WrapsSolved)
	if found.WrapsSolved {
		a.result("one sd of R0", "wraps_sd", "", found.WrapsSD, units.Dimensionless)
	}
	a.result("layer rise, line diameters", "layer_rise", "", found.Rise, units.Dimensionless)
	a.say("layer rise solved from the points", "layer_rise_solved", found.RiseSolved)
	if found.RiseSolved {
		a.result("one sd of the layer rise", "layer_rise_sd", "", found.RiseSD, units.Dimensionless)
	}
	if rig.Reference.Set {
		a.result("map is higher than the rig file's by", "offset_m", "m", float64(found.Offset), units.Length)
	}
	a.result("one sd of the map's height", "height_sd_m", "m", float64(found.OffsetSD), units.Length)
	a.result("residuals, root mean square", "rms_m", "m", float64(found.RMS), units.Length)
	if !found.WrapsSolved {
		a.note = "The points do not tell where layers change, so the wraps are as stated. More heights, in two layers or more, would."
	}
	return a
}

// reference is the part of a rig file that the calibration gives.
func (c *calibrateCmd) reference(rig *hoist.Rig, points []hoist.KnownHeight, found *hoist.Calibration, counted bool) string {
	fixed := found.Apply(*rig, points)
	var b strings.Builder
	if found.RiseSolved {
		fmt.Fprintf(&b, "drawworks:\n  drum:\n    layer_rise: %.4f\n", fixed.Drawworks.Drum.LayerRise)
	}
	ref := fixed.Reference
	fmt.Fprintf(&b, "position_reference:\n  block_height: %.4f m\n  wraps: %.4f\n", ref.BlockHeight, ref.Wraps)
	if counted {
		fmt.Fprintf(&b, "  counts: %.0f\n", points[0].Wraps*rig.Drawworks.Encoder.CountsPerRevolution)
	}
	fmt.Fprintf(&b, "  hook_load: %.1f kN\n  set_at: %s\n", float64(ref.HookLoad)/1e3, time.Now().UTC().Format(time.RFC3339))
	return b.String()
}
