// Package jetstream keeps what members of a group must share in NATS JetStream: the log
// of entries, in which the server alone decides order and time of receipt; a journal per
// rig, which one member at a time can write; and the newest snapshot of each rig.
//
// Who replays a rig's log from a snapshot comes to the same answers as who watched it
// all along: readings, ticks of silence and acts stand in one stream, and its sequence
// and timestamp are the entry's number and receipt. A member that lost its rig cannot
// journal: each write names the message that it follows, and a claim is a message too.
//
// It may not decide anything about a rig, and coordinates nothing itself: order,
// replication and compare-and-set are the server's.
package jetstream
