package configs

import "slices"

// Report is what a check of some files found.
type Report struct {
	Problems []Problem `json:"problems"` // in the order of the files, within one by line
	Notes    []Note    `json:"notes"`
}

// Check returns every mistake in the files, site or rig files or names of
// examples; a site file brings its rig files. Nothing found means that all of
// them can be used.
func Check(paths ...string) []Problem { return Inspect(paths...).Problems }

// Inspect is Check with the notes.
func Inspect(paths ...string) Report {
	report := Report{Problems: []Problem{}, Notes: []Note{}}
	for _, path := range paths {
		problems, notes := checkOne(path)
		for _, p := range problems {
			if !slices.Contains(report.Problems, p) { // a rig file can be named twice
				report.Problems = append(report.Problems, p)
			}
		}
		report.Notes = append(report.Notes, notes...)
	}
	return report
}

func checkOne(path string) ([]Problem, []Note) {
	file, text, err := rigText(path)
	if err != nil {
		return []Problem{{File: path, Got: "a file " + openFailure(err), Want: "a rig file, a site file or the name of an example"}}, nil
	}
	if !isSite(text) {
		_, problems := ReadRig(file, text)
		return problems, nil
	}
	site, problems := loadSite(path, text)
	return problems, site.Notes
}

// isSite tells a site file from a rig file by its keys; a text without any of
// them is taken for a rig file, whose reader will say what is missing.
func isSite(text []byte) bool {
	root, ok := newReader("").document(text, "")
	if !ok {
		return false
	}
	return !root.has("rig") && (root.has("site") || root.has("sources") || root.has("rigs") || root.has("listen"))
}
