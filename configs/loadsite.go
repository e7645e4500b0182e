package configs

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// LoadSite reads a site file and everything that it names: its rig files, and
// whether its other files are there and private. Paths in a site file are taken
// from the site file's own folder; a rig may also go by the name of an example.
//
// Files with mistakes give a Problems, the site file's first; a site file that
// cannot be opened gives the error of the system.
func LoadSite(path string) (*Site, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("site file: %w", err)
	}
	site, problems := loadSite(path, text)
	return site, Problems(problems).asError()
}

func loadSite(path string, text []byte) (*Site, []Problem) {
	f := readSite(path, text)
	folder := filepath.Dir(path)
	f.site.Data = beside(folder, f.site.Data)
	f.openFolders(folder)
	ofRigs := f.loadRigs(folder)
	f.checkRigs()
	for i := range f.site.Sources {
		f.checkFiles(folder, &f.site.Sources[i])
	}
	f.checkPage(folder)
	f.checkNotify(folder)
	f.checkHistorian(folder)
	f.checkGroupRigs()
	f.checkGroupFiles(folder)
	return f.site, append(f.r.done(), ofRigs...)
}

// beside returns path as seen from here, where it was written as seen from folder.
func beside(folder, path string) string {
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(folder, path)
}

// loadRigs reads the rig files and returns the mistakes in them; mistakes about
// them go to the site file's own.
func (f siteFile) loadRigs(folder string) (ofRigs []Problem) {
	names := map[string]string{}
	for i := range f.site.Rigs {
		file := &f.site.Rigs[i]
		if file.Path == "" {
			continue
		}
		written := file.Path
		if !file.Folder && !slices.Contains(Names(), written) {
			file.Path = beside(folder, written)
		}
		shown, text, err := rigText(file.Path)
		if err != nil {
			f.r.add(f.r.lineOf(file.key), file.key, strconv.Quote(written)+", "+openFailure(err),
				"a rig file, or the name of an example: "+strings.Join(Names(), ", "))
			continue
		}
		rig, problems := ReadRig(shown, text)
		ofRigs = append(ofRigs, problems...)
		if other, taken := names[rig.Name]; rig.Name != "" && taken {
			f.r.add(f.r.lineOf(file.key), file.key, fmt.Sprintf("a second rig named %q%s", rig.Name, file.among()), "rigs of different names ("+other+" has it)")
		}
		names[rig.Name] = written
		file.Rig, file.Text = rig, text
	}
	return ofRigs
}

// among tells which file of a folder is meant.
func (r *RigFile) among() string {
	if !r.Folder {
		return ""
	}
	return ", in " + filepath.Base(r.Path)
}

func openFailure(err error) string {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "which is not there"
	case errors.Is(err, fs.ErrPermission):
		return "which may not be read"
	}
	return "which cannot be opened (" + err.Error() + ")"
}

// checkFiles resolves the paths of a source's files and looks at each.
func (f siteFile) checkFiles(folder string, s *Source) {
	f.checkEach(folder, s.key, []named{
		{"password_file", &s.PasswordFile, true}, {"key_file", &s.KeyFile, true},
		{"ca_file", &s.CAFile, false}, {"certificate_file", &s.CertificateFile, false},
	})
}

// checkHistorian does the same for the historian's files.
func (f siteFile) checkHistorian(folder string) {
	if h := f.site.Forward; h != nil {
		f.checkEach(folder, h.key, []named{
			{"token_file", &h.TokenFile, true}, {"password_file", &h.PasswordFile, true}, {"ca_file", &h.CAFile, false},
		})
	}
}

// named is a file that a site file names.
type named struct {
	key    string
	path   *string
	secret bool
}

func (f siteFile) checkEach(folder, group string, files []named) {
	for _, file := range files {
		if *file.path == "" {
			continue
		}
		written := *file.path
		*file.path = beside(folder, written)
		if got, want := lookAt(*file.path, file.secret); got != "" {
			key := group + "." + file.key
			f.r.add(f.r.lineOf(key), key, strconv.Quote(written)+", "+got, want)
		}
	}
}

// othersMay is what the mode of a secret file may not allow: anything to the rest
// of the machine, writing to the group.
const othersMay = 0o027

// lookAt says what is wrong with a file; nothing where it can serve.
func lookAt(path string, secret bool) (got, want string) {
	const wantFile = "a file that can be read"
	info, err := os.Stat(path)
	if err != nil {
		return openFailure(err), wantFile
	}
	switch {
	case !info.Mode().IsRegular():
		return "which is no file", wantFile
	case secret && info.Mode().Perm()&othersMay != 0:
		return fmt.Sprintf("which others may use (mode %04o)", info.Mode().Perm()), "mode 0600 (chmod 600): only the monitor may read it"
	case info.Size() == 0:
		return "which is empty", wantFile
	}
	file, err := os.Open(path)
	if err != nil {
		return openFailure(err), wantFile
	}
	file.Close()
	return "", ""
}
