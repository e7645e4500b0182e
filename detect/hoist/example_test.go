package hoist

import (
	"fmt"

	"hoistward/ingest/units"
)

// An empty block rising at 1.5 m/s, tripped now: inertia of the drum carries it on,
// gravity hardly helps.
func ExampleRig_Stop() {
	r := r1()
	s := r.Stop(StopCase{
		Direction: Raising, Speed: 1.5, HookLoad: 294.2e3, Radius: 0.44,
		BrakeTemperature: units.FromCelsius(20), FrictionFactor: 1, PressureFraction: 1,
	})
	fmt.Printf("%.2f m in %.2f s\n", s.Distance, s.Time)
	// Output: 1.18 m in 1.07 s
}

// A faded brake that cannot win is a value with a reason.
func ExampleStopReason() {
	r := r1()
	s := r.Stop(StopCase{
		Direction: Lowering, Speed: 1, HookLoad: 2452e3, Radius: 0.44, RetardingLost: true,
		BrakeTemperature: units.FromCelsius(420), FrictionFactor: 0.7, PressureFraction: 1,
	})
	fmt.Println(s.Distance, s.Reason)
	// Output: +Inf the brake's full torque is below what the load demands
}

// Wraps give the block's height, and 250 t on the hook pull it down by the stretch
// of the line.
func ExampleMap_Height() {
	m, err := NewMap(r1())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f m empty, %.3f m with 250 t\n", m.Height(100, 294e3), m.Height(100, 250*9806.65))
	// Output: 25.064 m empty, 24.945 m with 250 t
}

// The trade's round-trip formula, with SI inside.
func ExampleTrip_RoundTrip() {
	const lb, ft = 0.45359237, 0.3048
	t := Trip{Stand: 94 * ft, Pipe: 11.27 * lb / ft, Travelling: 95000 * lb, Collars: 26866 * lb}
	fmt.Printf("%.1f ton-miles\n", t.RoundTrip(5500*ft)/TonMile)
	// Output: 258.7 ton-miles
}
