// Package trial judges the monitor on plants that it was not tuned to. From a seed
// it draws rigs, loads, manoeuvres and faults, plays them on the simulator's own
// plant, hands the monitor what the instruments say and nothing else, by the same
// entries as live, and scores what it answered against the plant's truth.
//
//	case        what is drawn                          what is scored
//	stop        one move up or down, any load          rest points, their bounds, height
//	contact     the driller does not slow down         alarm before the last moment to act
//	stands      ordinary work, several stands          nuisance and false alarms, height
//	fade        a quarter of the friction goes         friction, time to find it
//	auxiliary   the auxiliary brake goes at speed      time to find it
//	sensor      an instrument lies                     found, and never believed
//	heat        two hours of running in                brake temperature
//
// It judges and may not help: nothing of the truth may reach the monitor, no score
// may leave out a case because the monitor did badly in it, and it may not reach the
// network or a disk, or read a clock. The same seed and count give the same scores on
// any number of workers.
package trial
