package group_test

import (
	"slices"
	"testing"
	"time"

	"hoistward/ingest/jetstream"
)

// Members come and go: all rigs are watched by exactly one, and the journal is that of
// one member that watched all along.
func TestMembersJoinAndLeave(t *testing.T) {
	if testing.Short() {
		t.Skip("short: it runs servers for a minute")
	}
	c := startCluster(t, 3)
	rigs := []string{"R1", "R2", "R3", "R4", "R5", "R6"}
	set := settings(t, rigs...)
	a := c.member("a", set, nil)
	c.until("a has all", func() bool { return len(a.Held()) == jetstream.Partitions })
	b := c.member("b", set, nil)
	c.until("both have half", func() bool { return len(a.Held()) == 8 && len(b.Held()) == 8 })
	s := c.sender()
	played := make(chan bool)
	go func() { c.play(s, "overhoist", 60*time.Second, rigs...); close(played) }()
	d := c.member("d", set, nil)
	c.until("three have a third", func() bool {
		all := slices.Concat(a.Held(), b.Held(), d.Held())
		slices.Sort(all)
		return len(all) == jetstream.Partitions && len(slices.Compact(all)) == jetstream.Partitions && len(d.Held()) >= 4
	})
	a.stop()
	c.until("two have all", func() bool { return len(b.Held())+len(d.Held()) == jetstream.Partitions })
	<-played
	b.stop()
	c.until("d has all", func() bool { return len(d.Held()) == jetstream.Partitions })
	d.stop()
	st := c.open(c.dial(), c.sizes())
	if n := c.sameJournal(st, set); n < 4*len(rigs) {
		t.Errorf("%d lines in the journal", n)
	}
}
