package detect

// Late finds a channel whose values come, but later than the source's own beat or its
// clock allow:
//
//	lag = max( t_r − t_s − lag_least,  t_r − t_r' − T )
//
//	t_r, t_r'  receipt of this reading and of the one before      s
//	t_s        the source's stamp                                 s
//	lag_least  least of t_r − t_s seen: the clocks' offset and the shortest way  s
//	T          the channel's usual interval                       s
//
//	late        lag above lateLeast, or latePeriods of its intervals where that is more
//	deadband    lateBand of the limit
//	undecided   nothing comes (that is lost, another finding)
//
// What is late is still used: the stop answers are made wider by its age.
const (
	// lateLeast: at 1.5 m/s a block goes 0.75 m in it, as much as the crown-saver's own
	// margin for position (PHYSICS section 11).
	lateLeast   = 0.5 // s
	latePeriods = 1.5
	lateBand    = 0.9
)

// lateness takes the arrival of a reading stamped event.
func (i *instrument) lateness(d *Detector, event, now float64) {
	i.lag = now - event - d.clock.lag
	if i.seen && i.period > 0 {
		i.lag = max(i.lag, now-i.at-i.period)
	}
	limit := i.lateLimit()
	if i.late {
		limit *= lateBand
	}
	i.late = i.lag > limit
}

func (i *instrument) lateLimit() float64 {
	return max(lateLeast, latePeriods*i.period)
}

func (i *instrument) judgeLate(now float64) Finding {
	switch {
	case !i.heard(now):
		return undecided()
	case i.late:
		return present(Medium, ComesLate, i.lag, i.lateLimit(), "s")
	}
	return absent(i.lag, i.lateLimit(), "s")
}
