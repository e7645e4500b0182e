// Package jetstream keeps what members of a group must share in NATS JetStream: the log
// of entries, in which the servers alone decide order and time of receipt; who has which
// partition of the rigs; a journal per partition, which one member at a time can write;
// and the newest snapshot of each rig.
//
// Who replays a partition's log from snapshots comes to the same answers as who watched
// it all along: readings, ticks of time and acts stand in one stream, and its sequence
// and timestamp are the record's number and receipt. A member that lost its partition
// cannot journal: each write names the message that it follows, and a claim is a message
// too.
//
// Readings come by MQTT with QoS 1. The server answers such a message once it is kept,
// replicated, in the stream of MQTT messages; the log takes it from there by a durable
// consumer and acknowledges it when the log has it. So an answered reading is in the log,
// whichever server dies. Readings with QoS 0 are not kept.
//
// It may not decide anything about a rig, and coordinates nothing itself: order,
// replication, compare-and-set and the choice of a partition's member are the servers'.
package jetstream
