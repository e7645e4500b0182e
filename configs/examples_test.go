package configs

import (
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"hoistward/detect/hoist"
	"hoistward/ingest"
	"hoistward/ingest/units"
)

func examplesOf(t *testing.T) map[string]*hoist.Rig {
	t.Helper()
	rigs := map[string]*hoist.Rig{}
	for _, name := range Names() {
		rig, _, err := LoadRig(name)
		if err != nil {
			t.Fatal(err)
		}
		if rig.Name != name {
			t.Errorf("%s.yaml names its rig %s", name, rig.Name)
		}
		rigs[name] = rig
	}
	return rigs
}

func TestExamplesCoverTheTrade(t *testing.T) {
	rigs := examplesOf(t)
	if got := Names(); !slices.Equal(got, []string{"R1", "R2", "R3", "R4", "R5"}) {
		t.Errorf("examples %v", got)
	}
	// 1 hp = 550 ft·lbf/s = 745.69987 W, exact by definition of foot and pound.
	for name, hp := range map[string]float64{"R1": 2000, "R2": 550, "R3": 1000, "R4": 1500, "R5": 4000} {
		if got := float64(rigs[name].Drawworks.RatedPower); !(math.Abs(got-hp*745.69987158) <= 1) {
			t.Errorf("%s is rated %v W, want %v hp", name, got, hp)
		}
	}
}

// TestExamplesHangTogether holds the invented rigs to the arithmetic of hoisting.
// The bands are common practice, from memory, not confirmed.
func TestExamplesHangTogether(t *testing.T) {
	for name, r := range examplesOf(t) {
		load := float64(r.Drawworks.RatedLoad)
		if load == 0 {
			load = 250e3 * float64(units.StandardGravity) // the reference rig's heavy hook load
		}
		n := float64(r.Reeving.Lines)
		// v = e P / W, e = (K^n − 1)/(K^n n (K − 1)) (API RP 9B, n rolling sheaves).
		kn := math.Pow(r.Reeving.SheaveFactor, n)
		e := (kn - 1) / (kn * n * (r.Reeving.SheaveFactor - 1))
		if v := e * float64(r.Drawworks.RatedPower) / load; !(v >= 0.1 && v <= 0.6) {
			t.Errorf("%s hoists its full load at %.3f m/s, want 0.1 to 0.6", name, v)
		}
		// Fast line W/(n e); design factor 2 at least when setting casing.
		if f := float64(r.Line.BreakingStrength) * n * e / load; !(f >= 2 && f <= 6) {
			t.Errorf("%s: line design factor %.2f at full load, want 2 to 6", name, f)
		}
		// Metallic area near 0.47 d² (6x19 class).
		if a := float64(r.Line.MetallicArea) / math.Pow(float64(r.Line.Diameter), 2); !(math.Abs(a-0.47) <= 0.005) {
			t.Errorf("%s: metallic area %.4f d², want 0.47", name, a)
		}
		checkReach(t, name, r)
		checkHold(t, name, r, load)
	}
}

// checkReach winds the line from the reference to the crown by counting layers, on
// its own way: N π D_k a layer.
func checkReach(t *testing.T, name string, r *hoist.Rig) {
	t.Helper()
	d := r.Drawworks.Drum
	line := float64(r.Line.Diameter)
	length := func(k int) float64 {
		return d.WrapsPerLayer * math.Pi * (float64(d.RootDiameter) + line + 2*float64(k-1)*d.LayerRise*line)
	}
	if r.Reference.Wraps > d.WrapsPerLayer || r.Reference.Wraps < 3 {
		t.Fatalf("%s: %v wraps at the reference, want some dead wraps and all on the first layer", name, r.Reference.Wraps)
	}
	need := r.Reference.Wraps/d.WrapsPerLayer*length(1) + float64(r.Mast.CrownHeight-r.Reference.BlockHeight)*float64(r.Reeving.Lines)
	layers, have := 0, 0.0
	for have < need {
		layers++
		have += length(layers)
	}
	most := 4
	if name == "R1" {
		most = 5 // as the reference rig was given: its fifth layer begins between crown limit and contact
	}
	if layers > most {
		t.Errorf("%s: the crown is reached on layer %d, want %d at most", name, layers, most)
	}
	m, err := hoist.NewMap(r)
	if err != nil {
		t.Fatal(err)
	}
	if wraps := m.Wraps(r.Mast.CrownHeight, r.Reference.HookLoad); d.Layer(wraps) != layers {
		t.Errorf("%s: the map reaches the crown on layer %d, counting says %d", name, d.Layer(wraps), layers)
	}
	weight := float64(r.TravellingMass) * float64(units.StandardGravity)
	if !(math.Abs(float64(r.Reference.HookLoad)-weight) <= 0.01*weight) {
		t.Errorf("%s: hook load %v N at the reference, want the empty block's %.0f N", name, r.Reference.HookLoad, weight)
	}
}

// checkHold wants the cold brake to hold the full load on the layer that the block
// reaches the crown with, by the file's own factor.
func checkHold(t *testing.T, name string, r *hoist.Rig, load float64) {
	t.Helper()
	m, err := hoist.NewMap(r)
	if err != nil {
		t.Fatal(err)
	}
	radius := float64(m.Radius(m.Wraps(r.Mast.CrownHeight, r.Reference.HookLoad)))
	s := r.Service
	torque := 2 * s.Friction * float64(s.FullPressure) * float64(s.PistonArea) * float64(s.EffectiveRadius) * float64(s.Calipers)
	if s.Kind == hoist.BandBrake {
		// T = T_slack (e^{μθ} − 1) r a band, lowering self-energised.
		torque = float64(s.Bands) * float64(s.LiveTension) * (math.Exp(s.Friction*s.WrapAngle) - 1) * float64(s.EffectiveRadius)
	}
	margin := torque / (load * radius / float64(r.Reeving.Lines))
	if !(margin >= s.HoldFactor && margin <= 3) {
		t.Errorf("%s: brake holds %.2f times the full load, want %v to 3", name, margin, s.HoldFactor)
	}
}

func TestLoadRigErrors(t *testing.T) {
	_, _, err := LoadRig("no-such-rig")
	if !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "R1, R2") {
		t.Errorf("a rig that is not there gives %v, want fs.ErrNotExist and the names of the examples", err)
	}
	rig, text, err := LoadRig("../testdata/configs/rig-limits.yaml")
	var problems Problems
	if !errors.As(err, &problems) || len(problems) != 4 || rig != nil || len(text) == 0 {
		t.Errorf("a file with mistakes gives %v", err)
	}
	if strings.Count(err.Error(), "\n") != len(problems)-1 {
		t.Errorf("error of %d lines, want one a problem", strings.Count(err.Error(), "\n")+1)
	}
	if _, err := OpenRig(text); !errors.As(err, &problems) {
		t.Errorf("its text gives %v, want the problems", err)
	}
	big := filepath.Join(t.TempDir(), "big.yaml")
	if err := os.WriteFile(big, make([]byte, largestFile+1), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := LoadRig(big); !errors.As(err, &problems) || len(problems) != 1 {
		t.Errorf("a file of over a mebibyte gives %v", err)
	}
}

// TestAnExampleIsFoundWithoutItsFile: names work from any folder.
func TestAnExampleIsFoundWithoutItsFile(t *testing.T) {
	t.Chdir(t.TempDir())
	if err := os.Mkdir("R1", 0o755); err != nil { // a data folder of the same name
		t.Fatal(err)
	}
	if _, _, err := LoadRig("R1"); err != nil {
		t.Error(err)
	}
	if problems := Check("R1", "R5"); len(problems) > 0 {
		t.Error(problems)
	}
}

// TestFilesDescribesEveryKey holds FILES.md to the readers.
func TestFilesDescribesEveryKey(t *testing.T) {
	text, err := os.ReadFile("FILES.md")
	if err != nil {
		t.Fatal(err)
	}
	words := map[string]bool{}
	for _, quoted := range regexp.MustCompile("`[^`]+`").FindAllString(string(text), -1) {
		for _, word := range regexp.MustCompile(`[a-zA-Z_]+`).FindAllString(quoted, -1) {
			words[word] = true
		}
	}
	missing := func(known map[string]bool) {
		for path := range known {
			key := regexp.MustCompile(`[a-z_]+$`).FindString(path)
			if _, channel := ingest.ParseChannel(key); channel {
				continue
			}
			if !words[key] {
				t.Errorf("FILES.md does not have the key %s", path)
			}
		}
	}
	for _, name := range Names() {
		_, example, err := LoadRig(name)
		if err != nil {
			t.Fatal(err)
		}
		r, _ := readRig(name, example)
		missing(r.known)
	}
	missing(readSite("one.yaml", []byte(siteText)).r.known)
	for c := range ingest.NumChannels {
		if !strings.Contains(string(text), c.String()) {
			t.Errorf("FILES.md does not have the channel %s", c)
		}
	}
}

// TestFilesUnitsAreKnown: each unit of FILES.md's table is one of its quantity.
func TestFilesUnitsAreKnown(t *testing.T) {
	text, err := os.ReadFile("FILES.md")
	if err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(string(text), "## Units")
	table, _, _ = strings.Cut(table, "## Rig file")
	rows := 0
	for row := range strings.SplitSeq(table, "\n") {
		cells := strings.Split(row, "|")
		if len(cells) != 4 || strings.Contains(row, "---") || strings.Contains(row, "| units |") || strings.Contains(row, "plain number") {
			continue
		}
		rows++
		list := regexp.MustCompile(`\([^)]*\)`).ReplaceAllString(cells[2], "")
		for symbol := range strings.SplitSeq(list, ",") {
			u, ok := units.Lookup(strings.TrimSpace(symbol))
			if !ok || !strings.Contains(cells[1], u.Dimension.String()) {
				t.Errorf("FILES.md has the unit %q for %s; it is known=%v, a unit of %s", symbol, cells[1], ok, u.Dimension)
			}
		}
	}
	if rows < 10 {
		t.Errorf("%d rows of units found in FILES.md, want them all", rows)
	}
}
