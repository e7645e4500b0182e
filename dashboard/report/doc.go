// Package report makes the report of an incident and of a tour: from the entries of
// a recording, which it hands to the same code as live, to data, and from the data to
// one HTML file with its figures inside.
//
// It may not read a clock, a disk or the network, and decides nothing that the watch
// does not: the same entries give the same bytes. Memory is bounded by the window's
// figures and by the alarms of the recording; longer lists are cut, and say so.
package report
