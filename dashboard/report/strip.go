package report

import (
	"hoistward/alarms/watch"
	"hoistward/ingest"
)

// Strip is the quality of a channel's readings over the window.
type Strip struct {
	Channel string  `json:"channel"`
	Parts   []Part  `json:"parts"`
	Good    float64 `json:"good"` // share of the time, 0 to 1
	Omitted int     `json:"omitted,omitempty"`
}

// Part is a stretch of one quality.
type Part struct {
	From    float64 `json:"from_s"` // since the window's start
	To      float64 `json:"to_s"`
	Quality string  `json:"quality"`
	Reason  string  `json:"reason,omitempty"`
}

// strips follows every channel that is mapped or came.
type strips struct {
	parts [ingest.NumChannels][]Part
	now   [ingest.NumChannels]ingest.Value
	over  [ingest.NumChannels]int
	last  float64 // time of the newest entry
}

func (s *strips) see(t float64, w *watch.Rig) {
	for c := range ingest.NumChannels {
		i := w.Instrument(c)
		v := ingest.Value{Quality: i.Value.Quality, Reason: i.Value.Reason}
		if !i.Mapped && i.Value.Reason == ingest.Absent {
			continue
		}
		list := s.parts[c]
		switch n := len(list); {
		case n > 0 && v == s.now[c]:
		case n >= mostSpells:
			s.over[c]++
		default:
			if n > 0 {
				list[n-1].To = t
			}
			s.parts[c] = append(list, Part{From: t, Quality: v.Quality.String(), Reason: v.Reason.String()})
			s.now[c] = v
		}
	}
	s.last = t
}

// list ends each strip at the newest entry: of what comes after it nothing is known.
func (s *strips) list(window float64) []Strip {
	out := []Strip{}
	end := min(s.last, window)
	for c := range ingest.NumChannels {
		parts := s.parts[c]
		if len(parts) == 0 {
			continue
		}
		strip := Strip{Channel: c.String(), Omitted: s.over[c]}
		parts[len(parts)-1].To = end
		for _, p := range parts {
			if p.Quality == ingest.Good.String() && window > 0 {
				strip.Good += (p.To - p.From) / window
			}
			strip.Parts = append(strip.Parts, p)
		}
		out = append(out, strip)
	}
	return out
}
