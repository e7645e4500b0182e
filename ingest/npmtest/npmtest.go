// Package npmtest gives tests the npm packages that their lock files name: clients,
// encoders and rules that nobody here wrote. It may not
// be used by anything but tests: the program needs no package of npm.
//
// What was fetched once is kept in the user's cache folder, by the lock file's digest:
// the tests of all packages, and the next run, fetch nothing.
package npmtest

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// fetchLimit is how long npm may take.
const fetchLimit = 3 * time.Minute

// Folder returns a new folder that holds the given scripts of the folder from, and under
// node_modules the packages that the package-lock.json there names. Where npm, Node.js or
// the registry is missing it skips the test; with HOISTWARD_TOOLS=required it fails it.
func Folder(t testing.TB, from string, scripts ...string) string {
	t.Helper()
	if testing.Short() {
		t.Skip("fetches npm packages")
	}
	Node(t)
	packages, err := fetched(from)
	if err != nil {
		missing(t, err)
	}
	dir := t.TempDir()
	err = os.Symlink(packages, filepath.Join(dir, "node_modules"))
	for _, name := range append([]string{"package.json"}, scripts...) { // it says what kind of modules the scripts are
		err = errors.Join(err, copyFile(filepath.Join(from, name), filepath.Join(dir, name)))
	}
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// Node returns the path of Node.js, or skips the test as Folder does.
func Node(t testing.TB) string {
	t.Helper()
	path, err := exec.LookPath("node")
	if err != nil {
		missing(t, err)
	}
	return path
}

func missing(t testing.TB, err error) {
	t.Helper()
	if os.Getenv("HOISTWARD_TOOLS") == "required" {
		t.Fatal(err)
	}
	t.Skip(err)
}

// fetched returns the node_modules of from's lock file.
func fetched(from string) (string, error) {
	lock, err := os.ReadFile(filepath.Join(from, "package-lock.json"))
	if err != nil {
		return "", err
	}
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	cache = filepath.Join(cache, "hoistward-npm")
	kept := filepath.Join(cache, fmt.Sprintf("%x", sha256.Sum256(lock))[:16])
	packages := filepath.Join(kept, "node_modules")
	if _, err := os.Stat(packages); err == nil {
		return packages, nil
	}
	if err := os.MkdirAll(cache, 0o755); err != nil {
		return "", err
	}
	dir, err := os.MkdirTemp(cache, "fetching-")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(dir)
	if err := fetch(from, dir); err != nil {
		return "", err
	}
	// Whole or not at all: another process may have fetched the same meanwhile.
	if err := os.Rename(dir, kept); err != nil {
		if _, there := os.Stat(packages); there != nil {
			return "", err
		}
	}
	return packages, nil
}

func fetch(from, dir string) error {
	for _, name := range []string{"package.json", "package-lock.json"} {
		if err := copyFile(filepath.Join(from, name), filepath.Join(dir, name)); err != nil {
			return err
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), fetchLimit)
	defer cancel()
	// Not npm ci: it refuses a lock file without the packages that are for other systems.
	cmd := exec.CommandContext(ctx, "npm", "install", "--ignore-scripts", "--no-audit", "--no-fund", "--prefer-offline")
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("npm install: %w: %s", err, out)
	}
	return nil
}

func copyFile(from, to string) error {
	text, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	return os.WriteFile(to, text, 0o644)
}
