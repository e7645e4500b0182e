package access

import (
	"fmt"
	"slices"
)

// Preferences are how a person likes the pages.
type Preferences struct {
	Units string `json:"units,omitempty"` // "metric", "oilfield"; empty = not said
	Theme string `json:"theme,omitempty"` // "day", "night", "auto"; empty = not said
}

// Check says what is wrong with the preferences.
func (p Preferences) Check() error {
	if !slices.Contains([]string{"", "metric", "oilfield"}, p.Units) {
		return fmt.Errorf("units: got %.40q, want metric or oilfield", p.Units)
	}
	if !slices.Contains([]string{"", "day", "night", "auto"}, p.Theme) {
		return fmt.Errorf("theme: got %.40q, want day, night or auto", p.Theme)
	}
	return nil
}
