package alarms

import "time"

// instrumentRules are the alarms of what the monitor can and cannot know.
var instrumentRules = []Rule{
	{
		Name:        "heights_disagree",
		Title:       "Heights disagree",
		Meaning:     "Height by the drum and height by the sensor differ by more than both errors allow. The map is void until it is settled.",
		Causes:      "Line slipped or cut and not logged; sensor slipped or hit; count lost; wrong number of lines entered.",
		Consequence: "One of them is wrong by that much, and the room to the crown with it.",
		Response:    "Slow down. Trust your eyes, not the number. Bring the block to a known height and set the reference.",
		TimeToAct:   "Before you next near the crown or the floor",
		Priority:    High,
		Inputs:      "block height and drum counts",
		Deadband:    "0.10 m",
		OnDelay:     time.Second,
		OffDelay:    offSlow,
	},
	{
		Name:        "position_not_calibrated",
		Title:       "Position not calibrated",
		Meaning:     "The drum's map to block height is void: no reference since the slip, the cut, the count jump or the new reeving.",
		Causes:      "Line slipped or cut; counter restarted; reeving changed; reference never set.",
		Consequence: "Stop-margin answers are degraded, or none is given.",
		Response:    "Bring the block to a known height and set the reference. Until then work as if there were no monitor.",
		TimeToAct:   "Before you next near the crown or the floor",
		Priority:    High,
		Inputs:      "the reference and the log of line service",
		Deadband:    "none",
		OffDelay:    offStop,
	},
	{
		Name:        "blind",
		Title:       "Blind",
		Meaning:     "The crown answer, the floor answer or both cannot be given. The reason says which and why.",
		Causes:      "Readings lost, late or bad; position not calibrated; hook load out of range.",
		Consequence: "An overhoist or a floor approach would come without a word from this monitor.",
		Response:    "Work as if there were no monitor: slow near crown and floor, with a person watching the block. Restore the reading named.",
		TimeToAct:   "At once",
		Priority:    High,
		Inputs:      "none: it is the answer to missing input",
		Deadband:    "none",
		OnDelay:     onPressure,
		OffDelay:    offStop,
	},
	{
		Name:        "clock_disagrees",
		Title:       "Clock disagrees",
		Meaning:     "The source's clock and this machine's differ by more than the limit; time of receipt is used instead.",
		Causes:      "Clock not set or drifting; wrong time zone at the source; link with long delay.",
		Consequence: "Records cannot be laid beside others, and ages are less certain.",
		Response:    "Have the source's clock set. The watch goes on.",
		TimeToAct:   "This tour",
		Priority:    Low,
		Inputs:      "times in the readings",
		Deadband:    "10 % of the limit",
		OnDelay:     10 * time.Second,
		OffDelay:    time.Minute,
		Shelvable:   true,
	},
}

// reading makes the rule of one way in which a channel's reading fails.
func reading(r Rule) Rule {
	r.Priority = Medium
	r.Grades = "medium; high where a protection needs the channel"
	r.TimeToAct = "Minutes; at once where the screen says blind"
	r.OffDelay = 5 * time.Second
	r.Shelvable = true
	r.PerChannel = true
	r.Parent = "source_lost"
	return r
}

// readingRules are the alarms of single channels and of the sources that bring them.
var readingRules = []Rule{
	reading(Rule{
		Name:        "reading_lost",
		Title:       "Reading lost",
		Meaning:     "The channel has brought no value for longer than its limit, while its source is alive.",
		Causes:      "Sensor or cable; channel renamed or dropped at the source; source says \"no value\".",
		Consequence: "Answers that need the channel are given by another road, more widely, or not at all.",
		Response:    "See which answers are gone and work without them. Have sensor and cable looked at.",
		Inputs:      "age of the channel's newest value",
		Deadband:    "none",
	}),
	reading(Rule{
		Name:        "reading_late",
		Title:       "Reading late",
		Meaning:     "Values of the channel come, but older than its limit allows.",
		Causes:      "Slow or crowded link; source buffering; source clock behind.",
		Consequence: "Stop answers are made wider by the age, then withheld.",
		Response:    "Leave more room. Have the link looked at.",
		Inputs:      "time in the reading and time of receipt",
		Deadband:    "10 % of the limit",
		OnDelay:     time.Second,
	}),
	reading(Rule{
		Name:        "reading_frozen",
		Title:       "Reading frozen",
		Meaning:     "The channel repeats one exact value while the hoist is moving.",
		Causes:      "Sensor or converter hung; source repeats its last value; simulated or forced value left in.",
		Consequence: "The number looks alive and is not; it is no longer believed here.",
		Response:    "Do not go by this number on any screen. Have the sensor looked at.",
		Inputs:      "the channel and another one that moves",
		Deadband:    "none",
		OnDelay:     2 * time.Second,
	}),
	reading(Rule{
		Name:        "reading_out_of_range",
		Title:       "Reading out of range",
		Meaning:     "The channel's value is outside what the instrument or the hoist can give.",
		Causes:      "Broken wire or short; wrong scale; wrong unit; sensor failed.",
		Consequence: "The value is not believed; answers that need it are degraded or gone.",
		Response:    "Do not go by this number. Have sensor, scale and unit looked at.",
		Inputs:      "the channel",
		Deadband:    "1 % of range",
		OnDelay:     onPressure,
	}),
	reading(Rule{
		Name:        "reading_impossible_step",
		Title:       "Reading impossible step",
		Meaning:     "The channel moved further than the hoist could in the time.",
		Causes:      "Counter restarted or wrapped at another width; sensor set to zero; line slipped or cut; electrical noise.",
		Consequence: "The value is not believed; a height from it is void until it is settled.",
		Response:    "Compare with the block itself. If line was slipped or the counter reset, log it and set the reference.",
		Inputs:      "the channel and the time between values",
		Deadband:    "none",
	}),
	reading(Rule{
		Name:        "reading_unit_conflict",
		Title:       "Reading unit conflict",
		Meaning:     "The channel's numbers fit another unit than the one that the site file states.",
		Causes:      "Units changed at the source; wrong entry in the site file.",
		Consequence: "Every answer from it would be wrong by a fixed factor; it is not used.",
		Response:    "Have the unit settled at the source and in the site file. Do not go by the number.",
		Inputs:      "the channel and one that measures the same, or the source's own statement",
		Deadband:    "none",
		OnDelay:     time.Second,
	}),
	{
		Name:        "source_lost",
		Title:       "Source lost",
		Meaning:     "A source of readings has gone quiet: none of its channels brings values.",
		Causes:      "Cable, switch or radio link; source stopped or restarting; its name or topic changed.",
		Consequence: "All answers that need its channels are gone.",
		Response:    "Work as if there were no monitor for what it brings. Have the source and its link restored.",
		TimeToAct:   "At once",
		Priority:    High,
		Inputs:      "age of the source's newest message",
		Deadband:    "none",
		OffDelay:    5 * time.Second,
		Parent:      "broker_lost",
	},
	{
		Name:        "broker_lost",
		Title:       "Broker lost",
		Meaning:     "No link to the broker that brings the readings: never made, or lost.",
		Causes:      "Network; broker stopped; access refused; wrong address.",
		Consequence: "No reading comes in, no alarm goes out by it. The monitor keeps trying.",
		Response:    "Work as if there were no monitor. Have network and broker restored.",
		TimeToAct:   "At once",
		Priority:    High,
		Inputs:      "state of the link",
		Deadband:    "none",
		OnDelay:     2 * time.Second,
		OffDelay:    5 * time.Second,
	},
}
