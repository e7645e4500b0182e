// Package notify carries alarms outside: to MQTT brokers (the standing alarms of each
// rig as a retained state, and every event), to webhooks (events, signed), and to a
// command on this machine (each new high or emergency alarm).
//
// # The outbox
//
// The journal is the outbox: events are read from it in its order, so that nothing
// lies between what is journalled and what goes out. An event's number is the place in
// the journal, in bytes, at which its line ends: it grows, and what is to come after
// number n begins at byte n. Each destination has its own place, kept on disk after
// each delivery. An event goes out at least once: again where its confirmation was
// lost with a link, or its place with a crash; always under the same id, which is made
// of the journal, the number and the line.
//
// # Bounds
//
// Nothing is held in memory but one window or batch a destination; what waits, waits
// in the journal. Events older than Options.Keep are passed over, and that is counted,
// logged, and told to the destination. Of states only the newest of each rig waits.
// Of commands at most Command.AtOnce run; of the alarms that come meanwhile the most
// urgent, the newest of equals, waits for the next free place and tells how many it
// stands for. Lines of the journal that are no events are counted and left.
//
// State and command do not wait for the disk: they come from memory. Events do: while
// the disk refuses the journal, they go out when it is written again.
//
// The package may not decide what is an alarm, may not hold up the loop (Changed never
// waits), and is never used by a replay.
package notify
