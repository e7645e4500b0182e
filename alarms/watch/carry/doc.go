// Package carry writes a value of plain data as bytes and reads it back in another
// process, unexported fields too, so that what computes can go on elsewhere as if it
// had never stopped.
//
// What it carries: numbers, booleans, strings, structs, arrays, slices, maps, pointers,
// and [time.Time] without its monotonic part. What stands once and is pointed at twice
// stands once again afterwards, also where a pointer or a slice points into what
// encloses it. It refuses what it does not know how to carry whole: functions,
// channels, interfaces, structs of other modules (a lock, an atomic), and two slices
// that overlap in part. A refusal is an error, never a value that is nearly the same.
//
// Bytes are read only by a program whose types are the same, field by field
// ([Codec.Fingerprint]); there is no migration. Capacity of a slice beyond its length is
// not carried, so nothing is kept there.
//
// It may not know what it carries, do I/O, read a clock or keep anything between calls.
package carry
