// Command deb makes the Debian package of hoistward from its binary, by the description
// beside it. It is a module of its own: the program does not depend on the packer.
package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"

	"github.com/goreleaser/nfpm/v2"
	_ "github.com/goreleaser/nfpm/v2/deb"
)

func main() {
	binary := flag.String("binary", "", "the built program")
	arch := flag.String("arch", "amd64", "amd64 or arm64")
	version := flag.String("version", "0.1.0", "the package's version")
	out := flag.String("out", ".", "the folder that the package goes to")
	flag.Parse()
	path, err := build(*binary, *arch, *version, *out)
	if err != nil {
		fmt.Fprintln(os.Stderr, "deb:", err)
		os.Exit(1)
	}
	fmt.Println(path)
}

func build(binary, arch, version, out string) (string, error) {
	binary, err := filepath.Abs(binary)
	if err != nil {
		return "", err
	}
	if _, err := os.Stat(binary); err != nil {
		return "", fmt.Errorf("binary: %w", err)
	}
	words := map[string]string{"BINARY": binary, "ARCH": arch, "VERSION": version}
	config, err := nfpm.ParseFileWithEnvMapping("nfpm.yaml", func(key string) string { return words[key] })
	if err != nil {
		return "", fmt.Errorf("nfpm.yaml: %w", err)
	}
	info, err := config.Get("deb")
	if err != nil {
		return "", err
	}
	info = nfpm.WithDefaults(info)
	if err := nfpm.Validate(info); err != nil {
		return "", err
	}
	packer, err := nfpm.Get("deb")
	if err != nil {
		return "", err
	}
	path := filepath.Join(out, packer.ConventionalFileName(info))
	f, err := os.Create(path)
	if err != nil {
		return "", err
	}
	if err := packer.Package(info, f); err != nil {
		f.Close()
		return "", fmt.Errorf("%s: %w", path, err)
	}
	return path, f.Close()
}
