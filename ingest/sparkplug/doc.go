// Package sparkplug reads Sparkplug B (ISO/IEC 20237:2023, which is the Eclipse
// Sparkplug specification 3.0) as a host application: it follows the sessions of
// edge nodes and turns the metrics of births and data messages into samples, by
// the mapping of a source, whose fields are metric names.
//
// It may not guess: a number whose datatype is not known, an alias that no birth
// has defined, or data of a session whose birth it has not seen never become a
// reading. It does no I/O, has no clock and no goroutine: time comes with each
// message and each Tick, and what it wants to publish it puts into an outbox.
//
// A node's sequence is checked. A message that comes too early waits for those
// before it; when they do not come within Options.Reorder, the gap is told, the
// node is asked to send its births again, and its values count as uncertain until
// it does. Requests have a growing pause between them.
//
// Bounds: a payload of 1 MiB, 4096 nodes a source, 256 devices and 20000 aliases a
// node, 32 messages of 256 KiB in all waiting for one that is missing. What is
// beyond is rejected and counted. The outbox holds 256 commands; a full one makes
// the request wait for the node's next message.
package sparkplug
