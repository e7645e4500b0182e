package ingest

// Reject says why a message, or a part of one, was not used as it came. The zero
// value is "used".
type Reject uint8

// The rejects.
const (
	Used Reject = iota
	RejectBrokenJSON
	RejectEmpty
	RejectTooLarge
	RejectUnknownRig
	RejectBadTopic
	RejectRetained // kept by the broker from an unknown past: not live data
	RejectQueueFull
	RejectNoTime
	RejectBadTime
	RejectClockAhead // the receipt time stands in, the values are uncertain
	RejectFarPast
	RejectRepeatedTime
	RejectBackwardTime
	RejectNoChannel
	RejectUnknownField // the rest of the message is used
	RejectDuplicateKey
	RejectWrongType
	RejectNull
	RejectNotANumber
	RejectOutOfRange
	RejectDecoderFault // the decoder panicked: a fault of this program
	RejectBrokenFrame  // an end is missing, or it is too long: none of it is used
	RejectBrokenLine   // the rest of the message is used
	RejectUnitConflict // the source says that it sends another unit than the site file states
	RejectZoneConflict // likewise the zone of its clock
	RejectBrokenPayload
	RejectUnknownType
	RejectBadAtSource // the source itself says that the value is not good
	RejectHistorical  // kept back by the source and sent later: for the record alone
	RejectWaitingForBirth
	RejectUnknownAlias
	RejectSequenceGap
	RejectEarlierSession
	NumRejects
)

var rejectNames = [NumRejects]string{
	"used", "broken JSON", "empty payload", "too large", "unknown rig", "bad topic",
	"retained", "queue full", "no time", "bad time", "clock ahead", "far past",
	"repeated time", "backward time", "no known channel", "unknown field",
	"duplicate key", "wrong type", "null", "not a number", "out of range",
	"decoder fault", "broken frame", "broken line", "unit conflict", "zone conflict",
	"broken payload", "unknown datatype", "bad at source", "historical",
	"waiting for birth", "unknown alias", "sequence gap", "earlier session",
}

// String returns the words used in files, JSON and on screens.
func (r Reject) String() string {
	if r < NumRejects {
		return rejectNames[r]
	}
	return "unknown reject"
}

// Reject returns the reject that counts a value of reason r.
func (r Reason) Reject() Reject {
	switch r {
	case Null:
		return RejectNull
	case NotANumber:
		return RejectNotANumber
	case WrongType:
		return RejectWrongType
	case OutOfRange:
		return RejectOutOfRange
	case NamedTwice:
		return RejectDuplicateKey
	case ClockAhead:
		return RejectClockAhead
	case UnitConflict:
		return RejectUnitConflict
	case BadAtSource:
		return RejectBadAtSource
	case SequenceGap:
		return RejectSequenceGap
	}
	return Used
}
