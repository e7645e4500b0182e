package configs

import (
	"fmt"
	"time"
)

// Recording says how recordings are kept.
type Recording struct {
	Estimates  time.Duration // between two estimates of a rig in the recording; 0 = each frame's
	Keep       time.Duration // whole; 0 = for good
	KeepAlarms time.Duration // what is around alarms; 0 = for good
	Before     time.Duration // an alarm, that is kept with it
	After      time.Duration
	FreeMB     int // MiB; less free space is an alarm, and days are thinned before their time
}

// LeastFree is FreeMB in bytes.
func (r Recording) LeastFree() uint64 { return uint64(r.FreeMB) << 20 }

// What a site file need not say of its recordings.
const (
	standardEstimates = time.Second
	standardAround    = 10 * time.Minute
	standardFree      = 1024 // MiB
)

const day = 24 * time.Hour

// readRecording reads the group recording. Without keep nothing is ever deleted.
func readRecording(root *object) Recording {
	c := Recording{FreeMB: standardFree}
	o := root.child("recording", false)
	hours := func(low, high time.Duration, want string) rule { return between(low.Seconds(), high.Seconds(), want) }
	o.duration("estimates", &c.Estimates, standardEstimates, hours(0, time.Hour, "0 s (of each frame) to 1 h"))
	o.duration("keep", &c.Keep, 0, hours(2*day, 36525*day, "2 d to 36525 d"))
	o.duration("keep_alarms", &c.KeepAlarms, 0, hours(2*day, 36525*day, "2 d to 36525 d"))
	o.duration("before", &c.Before, standardAround, hours(0, 12*time.Hour, "0 s to 12 h"))
	o.duration("after", &c.After, standardAround, hours(0, 12*time.Hour, "0 s to 12 h"))
	whole(o, "free_megabytes", &c.FreeMB, false, from(1, 100_000_000))
	if c.KeepAlarms > 0 && c.KeepAlarms < c.Keep {
		o.r.add(o.r.lineOf(o.at("keep_alarms")), o.at("keep_alarms"), days(c.KeepAlarms),
			fmt.Sprintf("as long as keep (%s) or longer", days(c.Keep)))
	}
	o.close()
	return c
}

func days(d time.Duration) string { return fmt.Sprintf("%g d", d.Hours()/24) }
