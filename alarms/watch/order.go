package watch

import (
	"cmp"
	"slices"
)

func sortStanding(s []Standing) {
	slices.SortStableFunc(s, func(a, b Standing) int {
		return cmp.Or(
			cmp.Compare(rank(b), rank(a)),
			cmp.Compare(b.Alarm.Priority, a.Alarm.Priority),
			cmp.Compare(b.Alarm.Raised, a.Alarm.Raised),
		)
	})
}

// rank orders by what is asked of a person: active and unseen, active, gone but unseen.
func rank(s Standing) int {
	switch {
	case s.Alarm.Hidden():
		return 0
	case s.Alarm.Active() && s.Alarm.CanAcknowledge():
		return 4
	case s.Alarm.Active():
		return 3
	case s.Alarm.CanAcknowledge():
		return 2
	}
	return 1
}
