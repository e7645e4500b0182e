package replay

import (
	"encoding/json"

	"hoistward/alarms/watch"
	"hoistward/ingest"
)

// Lane is the quality of a channel's readings along the time.
type Lane struct {
	Channel string  `json:"channel"`
	Unit    string  `json:"unit"`
	Spells  []Spell `json:"spells"`
	Omitted int     `json:"omitted"` // changes beyond the bound; from there on it is not known
}

// Spell is a stretch of one quality, in JSON [from, to, quality, reason].
type Spell struct {
	From, To        int64 // ms since 1970
	Quality, Reason string
}

// MarshalJSON writes the spell as a list: there may be thousands.
func (s Spell) MarshalJSON() ([]byte, error) {
	return json.Marshal([]any{s.From, s.To, s.Quality, s.Reason})
}

// mostSpells of one channel are kept. Chosen here: more than a screen has dots.
const mostSpells = 4000

type lanes struct {
	spells [ingest.NumChannels][]Spell
	now    [ingest.NumChannels]ingest.Value
	over   [ingest.NumChannels]int
	last   int64
}

// see takes what the instruments are at t.
func (l *lanes) see(t int64, w *watch.Rig) {
	for c := range ingest.NumChannels {
		i := w.Instrument(c)
		if !i.Mapped && i.Value.Reason == ingest.Absent {
			continue
		}
		l.take(c, t, ingest.Value{Quality: i.Value.Quality, Reason: i.Value.Reason})
	}
	l.last = t
}

func (l *lanes) take(c ingest.Channel, t int64, v ingest.Value) {
	list := l.spells[c]
	n := len(list)
	switch {
	case n > 0 && v == l.now[c] && l.over[c] == 0:
	case n >= mostSpells:
		if l.over[c] == 0 {
			list[n-1].To = t
		}
		l.over[c]++
	default:
		if n > 0 {
			list[n-1].To = t
		}
		l.spells[c] = append(list, Spell{From: t, Quality: v.Quality.String(), Reason: v.Reason.String()})
		l.now[c] = v
	}
}

func (l *lanes) list() []Lane {
	out := []Lane{}
	for c := range ingest.NumChannels {
		spells := l.spells[c]
		if len(spells) == 0 {
			continue
		}
		if l.over[c] == 0 {
			spells[len(spells)-1].To = l.last
		}
		out = append(out, Lane{c.String(), quantities[c].Unit, spells, l.over[c]})
	}
	return out
}
