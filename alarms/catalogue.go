package alarms

import (
	"slices"
	"time"
)

// How a family of alarms is delayed. Start values are the suggestions for hoists in
// the design notes, which scale the usual process figures to it; a site may set others.
const (
	// offStop is the off-delay of the stop-margin alarms, which have no on-delay:
	// where action is needed each time, an on-delay only takes time away.
	offStop = 2 * time.Second
	// onPressure and offPressure: hydraulic pressure, valve strokes ride over.
	onPressure  = 500 * time.Millisecond
	offPressure = 2 * time.Second
	// onLoad: a short confirm of a raw peak, so that one spike is not an overload.
	onLoad = 200 * time.Millisecond
	// onDisc and offDisc: brake temperature.
	onDisc  = 5 * time.Second
	offDisc = 30 * time.Second
	// onCoolant and onFlow: water temperature and flow.
	onCoolant  = time.Minute
	onFlow     = 15 * time.Second
	offCoolant = time.Minute
	// offSlow: what changes with work done, not from second to second.
	offSlow = 10 * time.Second
)

var catalogue = slices.Concat(stopRules, brakeRules, auxiliaryRules, hoistRules, instrumentRules, readingRules, recordRules)

// All returns the whole catalogue, in the order of its printed table.
func All() []Rule { return slices.Clone(catalogue) }

// Lookup returns the rule of that name. The copy is the caller's own.
func Lookup(name string) (Rule, bool) {
	for i := range catalogue {
		if catalogue[i].Name == name {
			return catalogue[i], true
		}
	}
	return Rule{}, false
}
