package configs

import (
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// A rig of a site is named by its file, or by the folder that it lies in: of a folder
// each *.yaml is a rig file, in the order of the names. Other files, folders in it and
// what begins with a dot are passed over.

const wantFolder = "a folder of rig files (*.yaml)"

// readRigEntry reads one entry of rigs: a file or a folder.
func readRigEntry(rig *object) RigFile {
	if !rig.has("folder") {
		path, _ := rig.words("file", true, "a rig file or the name of an example: "+strings.Join(Names(), ", "))
		return RigFile{Path: path, key: rig.at("file")}
	}
	rig.refuse("a file or a folder, not both", "file")
	path, _ := rig.words("folder", true, wantFolder)
	return RigFile{Path: path, Folder: true, key: rig.at("folder")}
}

// openFolders puts the rig files of each folder in the folder's place. Their paths are
// as seen from here.
func (f siteFile) openFolders(folder string) {
	var rigs []RigFile
	for _, r := range f.site.Rigs {
		if !r.Folder || r.Path == "" {
			rigs = append(rigs, r)
			continue
		}
		files, err := rigFilesIn(beside(folder, r.Path))
		switch line := f.r.lineOf(r.key); {
		case err != nil:
			f.r.add(line, r.key, strconv.Quote(r.Path)+", "+openFailure(err), wantFolder)
		case len(files) == 0:
			f.r.add(line, r.key, strconv.Quote(r.Path)+", without any", wantFolder)
		}
		for _, path := range files {
			rigs = append(rigs, RigFile{Path: path, Folder: true, key: r.key})
		}
	}
	f.site.Rigs = rigs
}

func rigFilesIn(folder string) ([]string, error) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil, err
	}
	var files []string
	for _, e := range entries {
		if name := e.Name(); !e.IsDir() && filepath.Ext(name) == ".yaml" && !strings.HasPrefix(name, ".") {
			files = append(files, filepath.Join(folder, name))
		}
	}
	slices.Sort(files)
	return files, nil
}
