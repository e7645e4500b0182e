// Package replay answers the replay page: which recordings there are, what the
// monitor makes of one, what it would have made of it under another rig file, and
// the figures of it at any zoom.
//
// A recording is played by the same code as live, in a pool of few workers with a
// short queue; what is full refuses, and says so. A result is kept as columns of
// numbers with the least and the most of every 16, 256 and 4096 rows, so that a day
// is drawn without losing a peak. Memory has a bound for one result and one for all:
// past the first a run ends early and says to where it came, past the second the
// result that was not asked for longest is dropped. Results that nobody asks for
// are dropped after a while.
//
// It may not write to a recording, decide an alarm, or name a file that its folder
// does not list.
package replay
