// Package group watches rigs as one of several members that share them, by what package
// jetstream keeps: the servers give each partition of the rigs to one member, which plays
// the partition's log to its rigs and writes the journal.
//
// A Player is a pure function of the log: what it gives for a record depends on the
// records before it alone, whoever plays them and from whichever snapshot it began. A
// Member is the loop around players.
//
// Overload: a player that is slower than the log falls behind it, and its lag is told; the
// log keeps what waits. A journal that is full holds lines back up to maxHeld bytes; then
// the partition is taken again from its snapshots until there is room.
//
// It may not choose who watches what, and keeps nothing of its own: the servers do both.
package group
