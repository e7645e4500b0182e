package configs

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"time"
)

// Pair says that this monitor is one of two that watch the same rigs.
type Pair struct {
	Member     string        // this one's name; the other has another
	AloneAfter time.Duration // without the broker, before it speaks for itself
}

const standardAlone = 10 * time.Second

func readPair(o *object) *Pair {
	if !o.has("pair") {
		o.ask("pair")
		return nil
	}
	group := o.child("pair", false)
	p := &Pair{AloneAfter: standardAlone}
	p.Member = group.name("member")
	group.duration("alone_after", &p.AloneAfter, standardAlone, between(1, 600, "a time from 1 s to 10 min"))
	group.close()
	return p
}

// checkPair finds whether the pair has a broker to hear each other by.
func (f siteFile) checkPair() {
	s := f.site
	if s.Pair == nil || s.Notify.Broker != nil {
		return
	}
	if !s.Notify.SourceBrokers || !slices.ContainsFunc(s.Sources, func(s Source) bool { return s.Kind == "mqtt" }) {
		f.r.add(f.r.lineOf("pair"), "pair", "a pair without a broker that alarms go to",
			"notify.mqtt, or a source of kind mqtt: the members hear each other there")
	}
}

// RigsDigest is of the rig files in force: two monitors of one digest watch the same
// rigs by the same numbers.
func (s *Site) RigsDigest() string {
	var rigs []string
	for _, r := range s.Rigs {
		sum := sha256.Sum256(r.Text)
		rigs = append(rigs, r.Rig.Name+" "+hex.EncodeToString(sum[:]))
	}
	slices.Sort(rigs)
	sum := sha256.Sum256([]byte(strings.Join(rigs, "\n")))
	return hex.EncodeToString(sum[:])
}
