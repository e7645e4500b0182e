package group_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	js "github.com/nats-io/nats.go/jetstream"

	"hoistward/alarms/group"
	"hoistward/alarms/watch"
	"hoistward/ingest"
	"hoistward/ingest/jetstream"
)

func (r *running) says(words string) bool {
	return slices.ContainsFunc(r.Trouble(), func(s string) bool { return strings.Contains(s, words) })
}

// words gathers what a member tells.
type words struct {
	mu  sync.Mutex
	all []string
}

func (w *words) told(what string, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if err != nil {
		w.all = append(w.all, what+": "+err.Error())
	}
}

func (w *words) said(text string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.ContainsFunc(w.all, func(s string) bool { return strings.Contains(s, text) })
}

// Members with other settings are refused in words, and change nothing; one with a higher
// revision makes its settings the group's, and those before it stop in words.
func TestMembersWithOtherSettingsAreRefused(t *testing.T) {
	if testing.Short() {
		t.Skip("short: it runs servers for a minute")
	}
	c := startCluster(t, 1)
	set := settings(t, "R1", "R2")
	a := c.member("a", set, func(o *group.Options) { o.Revision = 3; o.Source = "one" })
	c.until("a has all", func() bool { return len(a.Held()) == jetstream.Partitions })
	other := func(change func(*group.Options)) error {
		nc := c.dial()
		o := group.Options{Name: "b", Settings: settings(t, "R1", "R2"), Revision: 3, Source: "one", Store: c.open(nc, c.sizes()), Conn: nc}
		change(&o)
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		return group.New(o).Run(ctx)
	}
	edit := func(o *group.Options, name, was, is string) {
		s := o.Settings.Sessions[name]
		s.RigFile = strings.Replace(s.RigFile, was, is, 1)
		o.Settings.Sessions[name] = s
	}
	for _, x := range []struct {
		name   string
		change func(*group.Options)
		want   string
	}{
		{"another program", func(o *group.Options) { o.Settings.Software = "test 2" }, "software: got test 2, the group has test"},
		{"another rig file", func(o *group.Options) { edit(o, "R2", "crown_limit: 41.0 m", "crown_limit: 40.0 m") }, "rig file of R2: got "},
		{"a rig less", func(o *group.Options) { delete(o.Settings.Sessions, "R2") }, "rig R2: got none, the group has it"},
		{"other channels", func(o *group.Options) { o.Source = "two" }, "channels and times of the source"},
		{"an older revision", func(o *group.Options) { o.Revision = 2 }, "by revision 3 (here 2)"},
	} {
		err := other(x.change)
		if !errors.Is(err, group.ErrOther) || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: %v, want %q", x.name, err, x.want)
		}
	}
	if len(a.Held()) != jetstream.Partitions {
		t.Errorf("the member that was there has %v", a.Held())
	}
	b := c.member("b", func() group.Settings {
		o := group.Options{Settings: settings(t, "R1", "R2")}
		edit(&o, "R2", "crown_limit: 41.0 m", "crown_limit: 40.0 m")
		return o.Settings
	}(), func(o *group.Options) { o.Revision = 4; o.Source = "one" })
	if err := <-a.err; !errors.Is(err, group.ErrOther) || !strings.Contains(err.Error(), "by revision 4 (here 3)") {
		t.Errorf("the member of before: %v", err)
	}
	a.err <- nil
	c.until("the newer one has all", func() bool { return len(b.Held()) == jetstream.Partitions })
	st := c.open(c.dial(), c.sizes())
	c.until("the journal tells of the other limit", func() bool {
		var lines string
		_ = st.Lines(t.Context(), jetstream.PartitionOf("R2"), func(b []byte) error { lines += string(b); return nil })
		return strings.Contains(lines, "mast.crown_limit was 41 m, is 40 m")
	})
	b.stop()
	c.sameJournal(st, set)
}

// A journal without room, a bucket that is deleted and clocks that disagree are told in
// words while the rigs are watched on; afterwards the journal is whole.
func TestTroubleIsToldAndSurvived(t *testing.T) {
	if testing.Short() {
		t.Skip("short: it runs servers for a minute")
	}
	c := startCluster(t, 1)
	set := settings(t, "R1")
	sizes := c.sizes()
	sizes.JournalBytes = 9000
	nc := c.dial()
	told := &words{}
	var wall, taken sync.Map
	wall.Store("ahead", time.Duration(0))
	m := group.New(group.Options{Name: "a", Settings: set, Store: c.open(nc, sizes), Conn: nc, Told: told.told,
		Wall: func() time.Time {
			d, _ := wall.Load("ahead")
			return time.Now().Add(d.(time.Duration))
		},
		Changed: func(w *watch.Rig, _ *watch.Outcome, _ bool) { taken.Store("now", w.Now()) },
	})
	ctx, cancel := context.WithCancel(t.Context())
	r := &running{Member: m, err: make(chan error, 1)}
	go func() { r.err <- m.Run(ctx) }()
	c.until("all is held", func() bool { return len(m.Held()) == jetstream.Partitions })
	act := func(n int) error {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		return m.Act(ctx, "R1", ingest.Act{Do: ingest.DoAcknowledge, Alarm: "overhoist", Occurrence: uint64(n), Person: "A. Tester"})
	}
	if err := act(0); err == nil || errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("an act on an alarm that does not stand: %v", err)
	}
	n := 1
	c.until("the journal is full", func() bool { n++; _ = act(n); return r.says("the journal is full") })
	before, _ := taken.Load("now")
	c.until("the rig is watched on", func() bool {
		now, _ := taken.Load("now")
		return now.(time.Time).Sub(before.(time.Time)) > time.Second
	})
	j, err := js.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	stream, err := j.Stream(ctx, jetstream.JournalStream)
	if err != nil {
		t.Fatal(err)
	}
	larger := stream.CachedInfo().Config
	larger.MaxBytes = 16 << 20
	if _, err := j.UpdateStream(ctx, larger); err != nil {
		t.Fatal(err)
	}
	c.until("there is room again", func() bool { return !r.says("the journal is full") })

	if err := j.DeleteKeyValue(ctx, jetstream.StateBucket); err != nil {
		t.Fatal(err)
	}
	c.until("the bucket is missed and made again", func() bool {
		b, err := j.KeyValue(ctx, jetstream.StateBucket)
		if err != nil {
			return false
		}
		keys, err := b.Keys(ctx)
		return told.said("what the group keeps is not there") && err == nil && len(keys) == 1
	})

	wall.Store("ahead", time.Hour)
	c.until("the clocks disagree", func() bool { return r.says("the clock of the log is -1h0m0s off this machine's") })
	st := c.open(c.dial(), c.sizes())
	c.until("the journal tells of it", func() bool {
		var lines string
		_ = st.Lines(t.Context(), jetstream.PartitionOf("R1"), func(b []byte) error { lines += string(b); return nil })
		return strings.Contains(lines, `"clock_jumped"`)
	})
	cancel()
	if err := <-r.err; err != nil {
		t.Fatal(err)
	}
	if got := c.sameJournal(st, set); got < n {
		t.Errorf("%d lines after %d acts", got, n)
	}
}
