package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"hoistward/alarms"
	"hoistward/alarms/journal"
	"hoistward/alarms/pair"
	"hoistward/alarms/watch"
	"hoistward/ingest"
)

// made takes an act that a person made here: it stands with the broker, for the other,
// before the person is told that it was taken. Without the broker it goes out later.
func (p *pairing) made(rig string, act *ingest.Act) {
	p.mu.Lock()
	p.acts.Add(rig, p.st.clock(), act)
	p.mu.Unlock()
	if err := p.sayActs(); err != nil {
		p.log.Warn("an act is not with the broker yet: the other member takes it later", zap.String("rig", rig), zap.Error(err))
	}
}

// sayActs has the acts that this member holds out stand with the broker.
func (p *pairing) sayActs() error {
	p.saying.Lock() // an older list must not come after a newer one
	defer p.saying.Unlock()
	p.mu.Lock()
	newest := p.acts.Newest()
	text, _ := json.Marshal(&p.acts) // texts, numbers and times alone
	p.mu.Unlock()
	err := p.client.Publish(p.actsTopic(), 1, true, text)
	if err == nil {
		p.mu.Lock()
		p.said = newest
		p.mu.Unlock()
	}
	return err
}

// sayActsAgain says what could not be said when it was done. It waits until this member
// hears itself: by then it has heard what an earlier run of it held out.
func (p *pairing) sayActsAgain() {
	p.mu.Lock()
	due := p.acts.Newest() > p.said && time.Since(p.in.Echo) <= pair.Lease
	p.mu.Unlock()
	if due {
		_ = p.sayActs() // again with the next beat
	}
}

func (p *pairing) hearActs(member string, text []byte, retained bool) {
	var a pair.Acts
	if json.Unmarshal(text, &a) != nil || a.Member != member {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if member == p.cfg.Member {
		if retained {
			p.acts.Join(&a)
		}
		return
	}
	next := a.After(p.seen[member])
	if len(next) == 0 {
		return
	}
	select {
	case p.carry <- carried{member, next}:
		p.seen[member] = next[len(next)-1].N
	default: // the next message holds them too
	}
}

// doActs does the other member's acts here, and keeps which.
func (p *pairing) doActs(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case c := <-p.carry:
			for i := range c.acts {
				p.doAct(ctx, c.from, &c.acts[i])
			}
			if err := p.keep(c.from, c.acts[len(c.acts)-1].N); err != nil {
				p.log.Error("which acts were taken cannot be kept: after a restart they are tried again", zap.Error(err))
			}
		}
	}
}

const (
	actTries = 20 // for an alarm that is raised here a little later
	actPause = 250 * time.Millisecond
)

func (p *pairing) doAct(ctx context.Context, from string, m *pair.Made) {
	var err error
	for range actTries {
		act, can := p.here(ctx, from, m)
		if can {
			if err = (desk{p.st.loop, nil}).Act(m.Rig, act); err == nil {
				return
			}
		} else {
			err = errors.New("there is no such alarm here that stood when the act was made")
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(actPause):
		}
	}
	p.log.Warn("an act of the other member was not taken here", zap.String("member", from), zap.String("rig", m.Rig),
		zap.String("do", m.Act.Do), zap.String("alarm", m.Act.Alarm), zap.Error(err))
}

// here is an act of the other member as it is to be done to this one's alarm.
func (p *pairing) here(ctx context.Context, from string, m *pair.Made) (act ingest.Act, can bool) {
	p.st.loop.Look(ctx, m.Rig, func(w *watch.Rig) {
		var found *alarms.Alarm
		for _, s := range w.Standing() {
			if s.Rule.Name == m.Act.Alarm && s.Channel == m.Act.Channel {
				a := s.Alarm
				found = &a
			}
		}
		act, can = m.Here(from, found)
	})
	return act, can
}

// kept is what pairFile holds.
type pairKept struct {
	Form int               `json:"form"`
	Seen map[string]uint64 `json:"seen"`
}

// pairForm is the form of pairFile that this program writes.
const pairForm = 1

func (p *pairing) load() error {
	path := filepath.Join(p.st.site.Data, pairFile)
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("pair: %w", err)
	}
	var k pairKept
	switch err := json.Unmarshal(b, &k); {
	case err != nil:
		return fmt.Errorf("pair: %s: %w: move it away, and the other member's acts are tried again", path, err)
	case k.Form > pairForm:
		return usagef("pair: %s: got form %d, which a newer hoistward wrote, want %d at most", path, k.Form, pairForm)
	}
	maps.Copy(p.seen, k.Seen)
	return nil
}

func (p *pairing) keep(member string, n uint64) error {
	path := filepath.Join(p.st.site.Data, pairFile)
	var k pairKept
	if b, err := os.ReadFile(path); err == nil {
		_ = json.Unmarshal(b, &k) // what cannot be read is written again
	}
	if k.Seen == nil {
		k.Seen = map[string]uint64{}
	}
	k.Form, k.Seen[member] = pairForm, n
	text, err := json.Marshal(&k)
	if err != nil {
		return err
	}
	return journal.ReplaceFile(path, append(text, '\n'))
}
