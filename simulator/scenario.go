package simulator

import (
	"embed"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"hoistward/ingest"
)

// Scenario is a story for the plant: how it stands at the start, what the driller
// does, what goes wrong and when, and what a watcher should then see. All SI.
type Scenario struct {
	Name        string
	Title       string
	WhatHappens string
	Seen        []Sight
	Duration    time.Duration // 0 = without end
	Rate        float64       // samples a second
	Jitter      float64       // s, 1 standard deviation of the sample's own time
	Spread      float64       // how far the plant is drawn from the rig file, 1 = as far as the file's uncertainties say
	Step        time.Duration // of the integration
	Channels    []ingest.Channel
	Every       map[ingest.Channel]int // sample periods between readings of a channel
	Rig         RigChange
	Initial     Initial
	Driller     Driller
	Faults      []Fault
	NowAndThen  NowAndThen
}

// Sight is what should be seen, and when.
type Sight struct {
	From, To time.Duration // since the start; To 0 = until the end
	What     string
	Alarm    string // snake case name from the alarm catalogue; empty when none is meant
}

// RigChange makes the plant another machine than the rig file says, or fits the
// rig with what a scenario needs. The monitor should be given Scenario.Fit's rig,
// except where the story is that it was given a wrong one.
type RigChange struct {
	ServiceBrake string // "band", "disc", empty = as the rig
	Auxiliary    string // "eddy_current", "hydrodynamic", "motor", "none", empty = as the rig
	Lines        int    // parts of line really strung; 0 = as the rig
	LinesUnknown bool   // the watcher's rig keeps its own number of lines
}

// Initial is how things stand at the start.
type Initial struct {
	BlockHeight float64 // m; 0 = where the driller works at the bottom
	StringMass  float64 // kg
	StandMass   float64 // kg
	StandLength float64 // m
	Latched     bool
	InSlips     bool
	BrakeTemp   float64 // K, ring and body; 0 = ambient
	Ambient     float64 // K; 0 = the rig's
	Counts      float64
	HasCounts   bool
}

// Driller is what the person at the brake does, and how.
type Driller struct {
	Task        Task
	Begin       string  // first step: latch, stab, raise_empty, ...; empty = the task's own
	Wait        float64 // s before the first move
	Stands      int     // tripping: stands each way
	RaiseLoaded float64 // m/s; 0 = by habit
	RaiseEmpty  float64
	LowerLoaded float64
	LowerEmpty  float64
	Creep       float64
	Bottom, Top float64 // m, block heights between which he works
	Reaction    float64 // s
	Surprise    float64 // s
	Pace        float64 // connections this many times faster; 0 = by habit
	Penetration float64 // m/s, drilling
	SlipTurns   float64 // turns of drum, slip_and_cut
}

// NowAndThen lets trouble come by chance, by seed.
type NowAndThen struct {
	First, FirstTo time.Duration // the first comes between these
	Then, ThenTo   time.Duration // the next ones after such a pause
	OneOf          [][]Fault     // each a trouble: faults whose At counts from its start
	Names          []string
}

//go:embed scenarios/*.yaml
var library embed.FS

// Scenarios returns the names of the scenarios that come with the program, in
// alphabetical order.
func Scenarios() []string {
	entries, err := library.ReadDir("scenarios")
	if err != nil {
		return nil // an embedded folder can always be read
	}
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".yaml"))
	}
	return names
}

// LoadScenario returns the scenario of that name, or reads the file at that path
// (a path has a slash or ends in .yaml). An unknown name lists the known ones;
// every impossible value is reported with its line, what was got and wanted.
func LoadScenario(nameOrPath string) (*Scenario, error) {
	if strings.ContainsRune(nameOrPath, os.PathSeparator) || strings.HasSuffix(nameOrPath, ".yaml") {
		text, err := os.ReadFile(nameOrPath)
		if err != nil {
			return nil, fmt.Errorf("scenario: %w", err)
		}
		return ParseScenario(filepath.Base(nameOrPath), text)
	}
	text, err := library.ReadFile("scenarios/" + nameOrPath + ".yaml")
	if err != nil {
		return nil, fmt.Errorf("scenario: got %q, want one of %s, or the path of a .yaml file",
			nameOrPath, strings.Join(Scenarios(), ", "))
	}
	return ParseScenario(nameOrPath+".yaml", text)
}
