package units

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Definitions, exact: International Yard and Pound Agreement 1959, 3rd CGPM 1901;
// the rest follow. 1 ton-mile = 2000·5280 ft·lbf = 14.317 MJ = 1.4600 t·km; 47 MJ/m
// the ton-mile a foot (a published cut-off sheet); 150 t on the hook = 1471.0 kN =
// 147.10 kdaN = 330.69 klbf.
func TestParseKnownQuantities(t *testing.T) {
	for _, c := range []struct {
		text string
		d    Dimension
		want float64
		tol  float64
	}{
		{"762 mm", Length, 0.762, 0},
		{"30 in", Length, 0.762, 1e-15},
		{" 1.5m/s ", Speed, 1.5, 0},
		{"46.3 ft/min", Speed, 0.235204, 1e-9},
		{"2000 hp", Power, 1491399.743, 0.001},
		{"7 MPa", Pressure, 7e6, 0},
		{"1000 psi", Pressure, 6894757.293, 0.001},
		{"1 ton-mile", Energy, 14.317e6, 0.001e6},
		{"1 ton-mile/ft", EnergyPerLength, 46.97e6, 0.01e6},
		{"1.46 t.km", Energy, 14.3177e6, 100},
		{"1471.0 kN", Force, 1471e3, 0},
		{"147.10 kdaN", Force, 1471e3, 1e-9},
		{"330.69 klbf", Force, 1471e3, 22},
		{"150 tf", Force, 1470997.5, 1e-6},
		{"20 degC", Temperature, 293.15, 1e-12},
		{"68 °F", Temperature, 293.15, 1e-9},
		{"65.5 ppg", Density, 7848.6, 0.1},
		{"560 L/min", VolumeFlow, 9.3333e-3, 1e-7},
		{"12.6 Btu/h.ft2.F", HeatTransfer, 71.546, 0.01},
		{"270 deg", Angle, 1.5 * math.Pi, 1e-12},
		{"2 %", Dimensionless, 0.02, 0},
		{"0.866", Dimensionless, 0.866, 0},
		{"-1e-3 m", Length, -1e-3, 0},
	} {
		got, err := Parse(c.text, c.d)
		if err != nil || !(math.Abs(got-c.want) <= c.tol) {
			t.Errorf("Parse(%q, %s) = %v, %v, want %v ± %v", c.text, c.d, got, err, c.want, c.tol)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct {
		text string
		d    Dimension
		says string
	}{
		{"762", Length, "without a unit"},
		{"762 kg", Length, "want a length"},
		{"1 furlong", Length, "not known"},
		{"5 ton", Mass, "several things"},
		{"1500 HP", Power, "several things"},
		{"NaN m", Length, "want a number"},
		{"Inf m", Length, "want a number"},
		{"1e308 km", Length, "past any number"},
		{"0x10 m", Length, "not known"},
		{"1_000 m", Length, "want a number"},
		{"1,5 m", Length, "not known"},
		{"", Length, "want a number"},
		{"m", Length, "want a number"},
		{"--1 m", Length, "want a number"},
		{strings.Repeat("1", 100) + " m", Length, "102 bytes"},
		{"20 K", Length, "want a length"},
		{"-274 degC", Temperature, "absolute zero"},
	} {
		got, err := Parse(c.text, c.d)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("Parse(%q, %s) = %v, %v; want an error that says %q", c.text, c.d, got, err, c.says)
		}
		if got != 0 {
			t.Errorf("Parse(%q, %s) = %v beside an error, want 0", c.text, c.d, got)
		}
	}
}

func TestTableHoldsTogether(t *testing.T) {
	for s, u := range table {
		if !(u.Factor > 0) || math.IsInf(u.Factor, 0) || u.Dimension >= NumDimensions {
			t.Errorf("%q: factor %v, dimension %v", s, u.Factor, u.Dimension)
		}
		if ambiguous[s] != "" {
			t.Errorf("%q is both known and ambiguous", s)
		}
		if back, err := Parse("1"+" "+s, u.Dimension); s != "1" && (err != nil || !(math.Abs(u.FromSI(back)-1) <= 1e-9)) {
			t.Errorf("%q: 1 reads back as %v, %v", s, u.FromSI(back), err)
		}
	}
}

func TestDimensionsHaveNames(t *testing.T) {
	seen := map[string]bool{}
	for d := range NumDimensions {
		if s := d.String(); s == "" || seen[s] {
			t.Errorf("dimension %d is called %q", d, s)
		} else {
			seen[s] = true
		}
	}
	if s := NumDimensions.String(); s != "unknown dimension" {
		t.Errorf("past the last: %q", s)
	}
}

func TestUnitRoundTrip(t *testing.T) {
	symbols := make([]string, 0, len(table))
	for s := range table {
		symbols = append(symbols, s)
	}
	rapid.Check(t, func(t *rapid.T) {
		u, _ := Lookup(rapid.SampledFrom(symbols).Draw(t, "symbol"))
		x := rapid.Float64Range(-1e6, 1e6).Draw(t, "x")
		if back := u.FromSI(u.ToSI(x)); !(math.Abs(back-x) <= 1e-9*(1+math.Abs(x)+math.Abs(u.Offset/u.Factor))) {
			t.Fatalf("%v %s comes back as %v", x, u.Symbol, back)
		}
	})
}

// FuzzParse looks for text that panics, that passes as a number which is none, or
// that passes under two dimensions. Its corpus in testdata/fuzz is kept.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"762 mm", "1.5m/s", "", "1e308 km", "NaN K", "-273.15 degC", "5 ton", "١ m", "1e", "+ m", "1 °F"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		passed := 0
		for d := range NumDimensions {
			x, err := Parse(s, d)
			if err != nil {
				continue
			}
			passed++
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Errorf("Parse(%q, %s) = %v", s, d, x)
			}
		}
		if passed > 1 {
			t.Errorf("%q passes under %d dimensions", s, passed)
		}
	})
}
