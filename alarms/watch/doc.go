// Package watch is the whole way of one rig: entries go in, estimates, alarms and
// journal lines come out. Live, replay and simulation call the same Apply with the
// same entries, so that a recording gives the identical answer again.
//
// Rig and Fleet are pure: they may not read a clock, start a goroutine, log or do
// I/O. Loop is the one goroutine of the live monitor around them; it may not know
// of transport or hold a decision.
package watch
