// Package configs reads and checks the two kinds of file that people write for
// the monitor: a rig file (one hoist, every quantity with its unit) and a site
// file (which rigs, from which sources, by which mapping). FILES.md describes
// both key by key. Example rigs are embedded and go by their names.
//
// Reading is strict. An unknown, doubled or missing key, a second document, a
// quantity without a unit or of another dimension is a mistake, and all mistakes
// of a file come back together, each with its line, what was there, and what is
// wanted. What can be true of no hoist is said by hoist.Rig.Validate and bears the
// line of its key here; what no rig of the trade has is said beside it.
//
// It may not guess a unit, fill in a required value, or compute physics.
package configs
