package alarms

import "time"

// Assessment holds one figure against what is published of it.
type Assessment struct {
	Figure string  `json:"figure"`
	Value  float64 `json:"value"`
	Target float64 `json:"target"` // at most, unless Least
	Least  bool    `json:"least"`  // the target is a least value
	Met    bool    `json:"met"`
	Source string  `json:"source"` // with how sure it is
}

// Sources of the targets. None was read in the standard itself.
const (
	sourceISA   = "ISA-18.2 / IEC 62682, as cited by secondary sources"
	sourceSplit = "ISA-18.2 priority split, as cited by secondary sources"
	fromMemory  = "ISA-18.2 / IEC 62682, from memory, not confirmed"
)

// Targets for one operator position.
const (
	AcceptablePerHour = 6.0  // about; 12 is the most that can be managed
	MostPerHour       = 12.0 // about
	FloodShareMost    = 0.01 // of the time
	StaleMost         = 5    // standing at once
	TopTenMost        = 0.05 // of the load, of ten alarms, each position: 1 to 5 %
)

// Assess holds the figures of one operator position against the published targets.
// Without any alarm the shares say nothing and are left out.
func (f *Figures) Assess() []Assessment {
	list := []Assessment{
		most("alarms per hour, acceptable", f.PerHour, AcceptablePerHour, sourceISA),
		most("alarms per hour, most that can be managed", f.PerHour, MostPerHour, sourceISA),
		most("most alarms in ten minutes", float64(f.PeakTenMin), FloodStarts, sourceISA),
		most("share of the time in floods", f.FloodShare, FloodShareMost, fromMemory),
		most("chattering alarms", float64(len(f.Chattering)), 0, sourceISA),
		most("stale alarms", float64(len(f.Stale)), StaleMost, fromMemory),
	}
	if f.Raised == 0 {
		return list
	}
	ten := 0.0
	for _, q := range f.Frequent {
		ten += q.Share
	}
	high := f.share(High) + f.share(Emergency)
	return append(list,
		most("share of the ten most frequent", ten, TopTenMost, fromMemory),
		Assessment{"share of low priority", f.share(Low), TargetSplit[0], true, f.share(Low) >= TargetSplit[0], sourceSplit},
		most("share of medium priority", f.share(Medium), TargetSplit[1], sourceSplit),
		most("share of high priority and emergency", high, TargetSplit[2], sourceSplit),
	)
}

// most asks for a value of at most target; NaN meets nothing.
func most(figure string, value, target float64, source string) Assessment {
	return Assessment{Figure: figure, Value: value, Target: target, Met: value <= target, Source: source}
}

func (f *Figures) share(p Priority) float64 {
	for _, c := range f.Priorities {
		if c.Priority == p {
			return c.Share
		}
	}
	return 0
}

// Rate is what the live list says of itself, for one operator position.
type Rate struct {
	Hour   int  `json:"hour"` // alarms in the last hour
	TenMin int  `json:"ten_min"`
	Flood  bool `json:"flood"`
}

// Raises are the newest times at which one alarm was raised: enough to see chatter.
type Raises [ChatterCount]time.Time

// Note takes the time of a new occurrence.
func (r *Raises) Note(t time.Time) {
	copy(r[:], r[1:])
	r[ChatterCount-1] = t
}

// Chatters tells whether the alarm was raised ChatterCount times within ChatterWindow,
// the newest of them less than ChatterWindow ago.
func (r *Raises) Chatters(now time.Time) bool {
	return !r[0].IsZero() && r[ChatterCount-1].Sub(r[0]) < ChatterWindow && now.Sub(r[ChatterCount-1]) < ChatterWindow
}

// IsStale tells whether the alarm has been active for longer than StaleAfter.
func (a Alarm) IsStale(now time.Time) bool { return a.Active() && At(now).since(a.Raised) > StaleAfter }
