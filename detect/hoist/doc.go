// Package hoist is the physics of a drilling rig's hoist: reeving, drum, line,
// brakes, heat, stopping, and the work of the drilling line. It is pure: functions
// and small values in SI, with a source beside each formula.
//
// It may not know of sensors, read a clock, start a goroutine or log.
//
// # What is where
//
// A [Rig] is what is known of one hoist before any reading comes; [Rig.Validate]
// lists what in it cannot be. From there:
//
//	tensions, hook load from the dead line    [Reeving]
//	line on the drum, radius, layer           [Drum]
//	block height from wraps and back          [Map], [Rig.Calibrate]
//	counts that wrap                          [Encoder], [Counter]
//	stretch, bounce, design factor            [Line]
//	torque of the brakes                      [ServiceBrake], [EmergencyBrake], [AuxiliaryBrake]
//	friction now, against commissioned        [ServiceBrake.Health], [FrictionTracker], [Rig.Held]
//	a loss of friction                        [LossTest]
//	brake temperature and where it goes       [Lumped], [TwoNode], [Lumped.Forecast]
//	where the block would come to rest        [Rig.Stop], [Rig.StopBound], [SecondsToAct]
//	speed from which a load still stops       [Rig.SafeLowering]
//	ton-miles, cutting the line               [LineWork], [Trip], [CutGoal], [Drum.CutLength]
//
// # Conventions
//
// Hook load W is a force and includes the travelling assembly. Wraps count from
// the bare drum, dead wraps included; winding in raises the block. Speeds and
// accelerations of a stop count in the direction of travel. A quantity that is not
// known is NaN and stays NaN, but a stop that cannot be had is +Inf with a reason,
// never NaN and never a large number that looks like an answer.
//
// # Sources
//
// Formula comments name where a formula or a constant comes from. "From memory,
// not confirmed" means just that; "common practice" is a habit of the trade and no
// rule. Values that the package is held to, each with its source, stand in
// testdata/published at the top of the repository. All answers advise only: the
// maker's data, tests on the rig and local rules come first.
package hoist
