package main

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"runtime"
	"runtime/debug"
	"strings"
	"text/tabwriter"
)

// versionCmd says what the program is, and of what it is made.
type versionCmd struct {
	JSON    bool `name:"json" help:"As JSON; with --modules as a bill of materials in the form of CycloneDX 1.6."`
	Modules bool `help:"Every module that is built in, with its version and sum."`
}

// built is what version --json says.
type built struct {
	Program  string `json:"program"`
	Version  string `json:"version"`
	Revision string `json:"revision,omitempty"` // of the source
	Modified bool   `json:"modified"`           // beyond that revision
	Time     string `json:"revision_time,omitempty"`
	Go       string `json:"go"`
	Platform string `json:"platform"`
	Modules  int    `json:"modules"`
}

func (c versionCmd) Run(s *streams) error {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		info = &debug.BuildInfo{GoVersion: runtime.Version()}
	}
	switch {
	case c.Modules && c.JSON:
		return writeIndented(s, materials(info))
	case c.Modules:
		return listModules(s, info)
	case c.JSON:
		return writeIndented(s, builtOf(info))
	}
	_, err := fmt.Fprintf(s.out, "hoistward %s\n", version)
	return err
}

func writeIndented(s *streams, v any) error {
	text, err := json.MarshalIndent(v, "", "  ")
	if err == nil {
		_, err = fmt.Fprintf(s.out, "%s\n", text)
	}
	return err
}

func builtOf(info *debug.BuildInfo) built {
	b := built{Program: "hoistward", Version: version, Go: info.GoVersion, Platform: runtime.GOOS + "/" + runtime.GOARCH, Modules: len(info.Deps)}
	for _, x := range info.Settings {
		switch x.Key {
		case "vcs.revision":
			b.Revision = x.Value
		case "vcs.modified":
			b.Modified = x.Value == "true"
		case "vcs.time":
			b.Time = x.Value
		}
	}
	return b
}

// inForce is the module that is really built in.
func inForce(m *debug.Module) *debug.Module {
	if m.Replace != nil {
		return m.Replace
	}
	return m
}

func listModules(s *streams, info *debug.BuildInfo) error {
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "std\t%s\t\n", info.GoVersion)
	for _, m := range info.Deps {
		m = inForce(m)
		fmt.Fprintf(w, "%s\t%s\t%s\n", m.Path, m.Version, m.Sum)
	}
	return w.Flush()
}

// bom is a bill of materials.
//
// Source: CycloneDX 1.6 JSON, ECMA-424; package URLs of type golang.
type bom struct {
	Format     string      `json:"bomFormat"`
	Spec       string      `json:"specVersion"`
	Serial     string      `json:"serialNumber"`
	Version    int         `json:"version"`
	Metadata   bomMetadata `json:"metadata"`
	Components []component `json:"components"`
	DependsOn  []bomNeeds  `json:"dependencies"`
}

type bomMetadata struct {
	Component component `json:"component"`
}

type component struct {
	Type    string `json:"type"`
	Ref     string `json:"bom-ref"`
	Name    string `json:"name"`
	Version string `json:"version"`
	PURL    string `json:"purl,omitempty"`
	// Properties holds go.sum's h1: digest of the module's files: it is of a list of
	// digests, so it may not stand as the SHA-256 of a file in CycloneDX's hashes.
	Properties []bomProperty `json:"properties,omitempty"`
}

type bomProperty struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

type bomNeeds struct {
	Ref       string   `json:"ref"`
	DependsOn []string `json:"dependsOn"`
}

// materials is the bill of what is built in. That of one build is always the same text.
func materials(info *debug.BuildInfo) bom {
	own := component{Type: "application", Ref: "hoistward", Name: "hoistward", Version: version}
	b := bom{Format: "CycloneDX", Spec: "1.6", Version: 1, Metadata: bomMetadata{own}}
	goVersion := strings.TrimPrefix(info.GoVersion, "go")
	goVersion, _, _ = strings.Cut(goVersion, " ")
	b.Components = append(b.Components, golang("std", goVersion, ""))
	for _, m := range info.Deps {
		m = inForce(m)
		b.Components = append(b.Components, golang(m.Path, m.Version, m.Sum))
	}
	needs := bomNeeds{Ref: own.Ref}
	digest := sha256.New()
	fmt.Fprintln(digest, version, info.Settings)
	for _, c := range b.Components {
		needs.DependsOn = append(needs.DependsOn, c.Ref)
		fmt.Fprintln(digest, c)
	}
	b.DependsOn = []bomNeeds{needs}
	b.Serial = "urn:uuid:" + uuidOf(digest.Sum(nil))
	return b
}

func golang(path, version, sum string) component {
	purl := "pkg:golang/" + path + "@" + strings.ReplaceAll(version, "+", "%2B")
	c := component{Type: "library", Ref: purl, Name: path, Version: version, PURL: purl}
	if digest, ok := strings.CutPrefix(sum, "h1:"); ok {
		if _, err := base64.StdEncoding.DecodeString(digest); err == nil {
			c.Properties = []bomProperty{{"go.sum", sum}}
		}
	}
	return c
}

// uuidOf is a UUID of 122 bits of a digest, version 8 (RFC 9562, section 5.8).
func uuidOf(digest []byte) string {
	u := digest[:16]
	u[6] = u[6]&0x0f | 0x80
	u[8] = u[8]&0x3f | 0x80
	h := hex.EncodeToString(u)
	return h[:8] + "-" + h[8:12] + "-" + h[12:16] + "-" + h[16:20] + "-" + h[20:]
}
