package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// releaseGo is the Go that releases are built with: the toolchain of go.mod, which the
// module proxy has where the one that is installed is older.
func releaseGo(t *testing.T) string {
	t.Helper()
	found := regexp.MustCompile(`(?m)^toolchain (go\S+)$`).FindStringSubmatch(readFile(t, filepath.Join("..", "..", "go.mod")))
	if found == nil {
		t.Fatal("go.mod names no toolchain")
	}
	return found[1]
}

// buildFor builds the program as a release is built.
func buildFor(t *testing.T, system, arch string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "hoistward")
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", out, ".")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOTOOLCHAIN="+releaseGo(t), "GOOS="+system, "GOARCH="+arch)
	if text, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s/%s: %v: %s", system, arch, err, text)
	}
	return out
}

// ofRelease skips what builds the program anew for each system, minutes of work, unless
// HOISTWARD_RELEASE is set: go test ./cmd/hoistward -run 'CrossBuilds|DebianPackage' -timeout 40m
func ofRelease(t *testing.T) {
	if os.Getenv("HOISTWARD_RELEASE") == "" {
		t.Skip("builds the program for other systems: set HOISTWARD_RELEASE")
	}
}

// mostProgram is how large a program may be, bytes.
const mostProgram = 60 << 20

// One static program for each system that is named, none of them too large for a slow
// link.
func TestCrossBuilds(t *testing.T) {
	ofRelease(t)
	for _, tc := range [][2]string{{"linux", "amd64"}, {"linux", "arm64"}, {"windows", "amd64"}} {
		info, err := os.Stat(buildFor(t, tc[0], tc[1]))
		if err != nil {
			t.Fatal(err)
		}
		if info.Size() > mostProgram {
			t.Errorf("%s/%s: %d bytes, want %d at most", tc[0], tc[1], info.Size(), mostProgram)
		}
		t.Logf("%s/%s: %.1f MB", tc[0], tc[1], float64(info.Size())/1e6)
	}
}

func toolSays(t *testing.T, dir, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	text, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %v: %v: %s", name, args, err, text)
	}
	return string(text)
}

// The Debian package by Debian's own tools: what it holds, with which modes, and that it
// unpacks into a root of its own, where the program runs.
func TestDebianPackage(t *testing.T) {
	ofRelease(t)
	dpkgDeb, dpkg := needTool(t, "dpkg-deb"), needTool(t, "dpkg")
	binary, dir := buildFor(t, "linux", "amd64"), t.TempDir()
	path := strings.TrimSpace(toolSays(t, filepath.Join("package", "deb"), "go", "run", ".", "-binary", binary, "-version", "0.1.0", "-out", dir))
	if filepath.Base(path) != "hoistward_0.1.0_amd64.deb" {
		t.Errorf("package %s", path)
	}
	fields := toolSays(t, dir, dpkgDeb, "--field", path)
	for _, want := range []string{"Package: hoistward", "Version: 0.1.0", "Architecture: amd64", "Depends: adduser", "Advisory only"} {
		if !strings.Contains(fields, want) {
			t.Errorf("no %q in\n%s", want, fields)
		}
	}
	held := toolSays(t, dir, dpkgDeb, "--contents", path)
	for _, want := range []string{`-rwxr-xr-x root/root .* \./usr/bin/hoistward\n`, `-rw-r--r-- root/root .* \./usr/lib/systemd/system/hoistward\.service\n`,
		`drwxr-x--- root/root .* \./etc/hoistward/\n`, `\./usr/share/doc/hoistward/copyright\n`, `\./usr/share/doc/hoistward/NOTICE\n`} {
		if !regexp.MustCompile(want).MatchString(held) {
			t.Errorf("no %s in\n%s", want, held)
		}
	}
	scripts := filepath.Join(dir, "control")
	toolSays(t, dir, dpkgDeb, "--control", path, scripts)
	for _, name := range []string{"postinst", "prerm"} {
		toolSays(t, scripts, "sh", "-n", name)
	}
	root := filepath.Join(dir, "root")
	for _, d := range []string{"var/lib/dpkg/info", "var/lib/dpkg/updates"} {
		if err := os.MkdirAll(filepath.Join(root, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for _, f := range []string{"status", "available"} {
		if err := os.WriteFile(filepath.Join(root, "var/lib/dpkg", f), nil, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	toolSays(t, dir, dpkg, "--root="+root, "--force-not-root", "--force-depends", "--unpack", path)
	if got := toolSays(t, dir, filepath.Join(root, "usr/bin/hoistward"), "version", "--json"); !strings.Contains(got, `"go": "`+releaseGo(t)+`"`) {
		t.Errorf("the unpacked program says %q, want it built with %s", got, releaseGo(t))
	}
	toolSays(t, dir, filepath.Join(root, "usr/bin/hoistward"), "check", filepath.Join(root, "usr/share/doc/hoistward/examples/site.yaml"))
	// The unit that was unpacked, with the program where it was unpacked: nothing is stood in for.
	analyze := needTool(t, "systemd-analyze")
	unit := filepath.Join(dir, "hoistward.service")
	text := strings.ReplaceAll(readFile(t, filepath.Join(root, "usr/lib/systemd/system/hoistward.service")), "/usr/bin/hoistward", filepath.Join(root, "usr/bin/hoistward"))
	if err := os.WriteFile(unit, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	if said := toolSays(t, ".", analyze, "verify", unit); strings.Contains(said, "hoistward") {
		t.Errorf("verify of the unpacked unit: %s", said)
	}
	if list := toolSays(t, dir, dpkg, "--root="+root, "--listfiles", "hoistward"); !strings.Contains(list, "/usr/bin/hoistward") {
		t.Errorf("dpkg lists %s", list)
	}
}

// mostExposed is the most that systemd may find exposed, of 10. It is 1.2 with version
// 252; what stays is that it may reach the network and read what everybody may.
const mostExposed = 2.0

// The unit by systemd's own judgement.
func TestUnit(t *testing.T) {
	analyze := needTool(t, "systemd-analyze")
	text := readFile(t, filepath.Join("package", "hoistward.service"))
	unit := filepath.Join(t.TempDir(), "hoistward.service")
	if err := os.WriteFile(unit, []byte(strings.ReplaceAll(text, "/usr/bin/hoistward", "/bin/true")), 0o644); err != nil {
		t.Fatal(err)
	}
	if said := toolSays(t, ".", analyze, "verify", unit); strings.Contains(said, "hoistward") {
		t.Errorf("verify: %s", said)
	}
	said := toolSays(t, ".", analyze, "security", "--offline=true", "--no-pager", "--threshold=100", unit)
	found := regexp.MustCompile(`exposure level for hoistward\.service: ([0-9.]+)`).FindStringSubmatch(said)
	if found == nil {
		t.Fatalf("security: %s", said)
	}
	if level, err := strconv.ParseFloat(found[1], 64); err != nil || !(level <= mostExposed) {
		t.Errorf("exposure %s, want %v at most:\n%s", found[1], mostExposed, said)
	}
	for _, want := range []string{"Type=notify", "WatchdogSec=", "RestartPreventExitStatus=2", "User=hoistward"} {
		if !strings.Contains(text, want) {
			t.Errorf("the unit has no %s", want)
		}
	}
}
