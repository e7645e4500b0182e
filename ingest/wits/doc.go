// Package wits takes readings from senders of WITS level 0, the plain-text form of
// the Wellsite Information Transfer Specification, over TCP: frames of lines
//
//	&&
//	010526112
//	010612000
//	0112102.50
//	011485.2
//	!!
//
// where each line is a record of two digits, an item of two digits, and a value.
// Framer cuts a stream of bytes into frames, Source keeps a connection to a sender
// or waits for one, Decoder makes samples of frames.
//
// The stream says neither the unit nor the zone of its clock: both come from the
// site file, and what record 23 says of them is held against it.
//
// It may not guess a unit, nor join parts of two frames.
//
// Overload: frames wait in a bounded queue; a full one discards its oldest frame
// and counts it. A line or a frame that is too long is dropped as it comes.
package wits
