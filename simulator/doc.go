// Package simulator is a hoist that does not exist: a plant whose truth is
// known, driven as a driller would, with instruments that lie in the ways that
// real ones do. It feeds the demo, the tests, the trial and people who train.
//
// The plant is independent of the detectors. It shares with them the rig's
// parameters (hoist.Rig) and what a drum and a reeving are; its friction, heat,
// timing, stretch and stopping are its own and richer, and its parameters are
// drawn around, not at, what the rig file says.
//
// It may not import detect's estimators, reach the network (simulator/publish
// does), read a clock, or call hoist's friction, heat, stop or stretch code.
//
// Everything inside the package is in SI. A run is a pure function of rig,
// scenario and seed: the same three give the same bytes.
package simulator
