package configs

import (
	"testing"

	"pgregory.net/rapid"
)

// Anchors: kitten/sitting 3 and Saturday/Sunday 3 are the worked examples of the
// Levenshtein distance; CA/ABC 3 is the one that tells optimal string alignment
// (3) from the unrestricted distance (2). From memory, checked by hand.
func TestDistanceAnchors(t *testing.T) {
	tests := []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"Saturday", "Sunday", 3}, {"CA", "ABC", 3}, {"ab", "ba", 1}, {"", "abc", 3}, {"same", "same", 0}}
	for _, tt := range tests {
		if got := distance(tt.a, tt.b); got != tt.want {
			t.Errorf("distance(%q, %q) is %d, want %d", tt.a, tt.b, got, tt.want)
		}
	}
}

func TestDistanceIsSymmetricAndBounded(t *testing.T) {
	word := rapid.StringMatching(`[abc_]{0,8}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b := word.Draw(t, "a"), word.Draw(t, "b")
		d := distance(a, b)
		if d != distance(b, a) || d > max(len(a), len(b)) || (d == 0) != (a == b) {
			t.Fatalf("distance(%q, %q) is %d", a, b, d)
		}
	})
}

func TestNearest(t *testing.T) {
	keys := []string{"release", "root_diameter", "groove_pitch", "red", "wraps"}
	tests := map[string]string{"relaese": "release", "rootdiameter": "root_diameter", "Red": "red", "wrap": "wraps", "groove-pitch": "groove_pitch", "colour": "", "x": "", "": ""}
	for word, want := range tests {
		if got, ok := nearest(word, keys); got != want || ok != (want != "") {
			t.Errorf("nearest to %q is %q, want %q", word, got, want)
		}
	}
}
