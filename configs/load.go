package configs

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"

	"hoistward/detect/hoist"
)

//go:embed R*.yaml
var examples embed.FS

// Names returns the names of the embedded example rigs, sorted.
func Names() []string {
	files, err := fs.Glob(examples, "*.yaml")
	if err != nil {
		panic(err) // the pattern is a constant
	}
	names := make([]string, len(files))
	for i, f := range files {
		names[i] = strings.TrimSuffix(f, ".yaml")
	}
	slices.Sort(names)
	return names
}

// LoadRig reads a rig file, given by its path or as the name of an embedded
// example ("R1"; write "./R1" for a file of that name). It returns the rig and
// the text that it was read from.
//
// A file with mistakes gives a Problems; a file that cannot be opened gives the
// error of the system.
func LoadRig(nameOrPath string) (*hoist.Rig, []byte, error) {
	file, text, err := rigText(nameOrPath)
	if err != nil {
		return nil, nil, err
	}
	rig, problems := ReadRig(file, text)
	if len(problems) > 0 {
		return nil, text, Problems(problems)
	}
	return rig, text, nil
}

// rigText returns the text of a rig file and the name to show for it.
func rigText(nameOrPath string) (file string, text []byte, err error) {
	if slices.Contains(Names(), nameOrPath) {
		file = nameOrPath + ".yaml"
		text, err = examples.ReadFile(file)
		return file, text, err
	}
	text, err = os.ReadFile(nameOrPath)
	if errors.Is(err, fs.ErrNotExist) {
		err = fmt.Errorf("no rig file and no example of that name (examples: %s): %w", strings.Join(Names(), ", "), err)
	}
	return nameOrPath, text, err
}

// OpenRig reads the text of a rig file that is at hand already, such as the one
// that a recording carries. A text with mistakes gives a Problems.
func OpenRig(text []byte) (*hoist.Rig, error) {
	rig, problems := ReadRig("rig file", text)
	if len(problems) > 0 {
		return nil, Problems(problems)
	}
	return rig, nil
}
