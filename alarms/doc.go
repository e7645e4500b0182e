// Package alarms is the catalogue of alarms, the one pure function that moves an
// alarm from state to state, the journal's line, and the figures kept of it all.
//
// It may not read a clock, start a goroutine, log, or know how an event is carried
// or where a condition came from: time and conditions are arguments.
//
// # The machine
//
// States and names follow ISA-18.2 and IEC 62682 (letters in brackets). "true" and
// "false" are good input; bad input never moves an alarm.
//
//	            true, on-delay over            acknowledge
//	normal [A] ─────────────────▶ unacknowledged [B] ───────────▶ acknowledged [C]
//	   ▲  ▲                          │       ▲  ▲                     │      │
//	   │  │      false, off-delay over       │  └─ higher priority ───┘      │
//	   │  │           │              │       │                               │
//	   │  │           ▼ (no latch)   ▼ (latch)                               │
//	   │  └── returned [D]       latched unacknowledged [E]                  │
//	   │ acknowledge  │              │ acknowledge                           │
//	   │              │              ▼          false, off-delay over, latch │
//	   ├── reset ── latched acknowledged [F] ◀───────────────────────────────┤
//	   └──────────────────────── false, off-delay over, no latch ────────────┘
//
// From D, E and F, true for the on-delay is a new occurrence: back to B.
// The zero state is unknown: never evaluated. Shelved [G], suppressed by design
// [H] and out of service [I] lie beside the state and do not replace it.
//
// # Rules
//
//   - Bad input holds: it raises nothing, clears nothing, resets nothing.
//   - On-delay: due when the condition has been true for the delay, the boundary
//     included. Time counts from one good true evaluation to the next, at most
//     Rule.Bridge for each such interval, whatever lay between: bad input, a
//     restart, a clock that jumped. So flickering input raises an alarm late, not
//     never, and a long gap is not taken for evidence. Only a good false ends it.
//   - Off-delay: the condition must be false, by good input alone, for the whole
//     delay. Bad input, a relapse, or more than Bridge without an evaluation starts
//     it again.
//   - A priority that rises acts at once; one that falls acts after the off-delay.
//   - Shelved: the state moves underneath and is journalled, in silence. A priority
//     above the one at which it was shelved ends the shelf.
//   - Suppressed or out of service: nothing new is raised; the on-delay counts on,
//     so that what is due is raised in the first step after.
//   - What comes out of hiding with its condition present is unacknowledged.
//   - A clock that falls counts as no time passed; all instants move with it.
package alarms
