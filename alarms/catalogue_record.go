package alarms

import "time"

// recordRules are the alarms of the record. The live watch goes on without it.
var recordRules = []Rule{
	{
		Name:        "recording_stopped",
		Title:       "Recording stopped",
		Meaning:     "Readings and events are not being written to disk. The live watch goes on.",
		Causes:      "Disk full or failed; no right to write; file locked by another program.",
		Consequence: "What happens now cannot be looked at afterwards.",
		Response:    "Call whoever keeps this machine. If an incident is under way, write down the times by hand.",
		TimeToAct:   "Within the hour",
		Priority:    High,
		Inputs:      "the recorder's own state",
		Deadband:    "none",
		OnDelay:     2 * time.Second,
		OffDelay:    10 * time.Second,
		Shelvable:   true,
	},
	{
		Name:        "recording_space_low",
		Title:       "Recording space low",
		Meaning:     "Space left for recordings is below the set amount.",
		Causes:      "Old recordings kept; another program fills the disk.",
		Consequence: "Recording stops when it is full.",
		Response:    "Have old recordings moved off the machine.",
		TimeToAct:   "This tour",
		Priority:    Low,
		Inputs:      "free space where recordings are kept",
		Deadband:    "10 % of the amount",
		OnDelay:     10 * time.Second,
		OffDelay:    time.Minute,
		Shelvable:   true,
		Parent:      "recording_stopped",
	},
	{
		Name:        "historian_behind",
		Title:       "Historian behind",
		Meaning:     "The historian has not taken what is recorded for longer than its limit. Nothing is lost: it catches up from the recording.",
		Causes:      "Historian or network down; historian refuses the data; long outage being caught up.",
		Consequence: "Shore sees old data.",
		Response:    "Tell whoever keeps the historian. The watch here goes on.",
		TimeToAct:   "This tour",
		Priority:    Low,
		Inputs:      "the forwarder's place in the recording",
		Deadband:    "10 % of the limit",
		OnDelay:     30 * time.Second,
		OffDelay:    time.Minute,
		Shelvable:   true,
	},
}
