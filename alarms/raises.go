package alarms

import "bytes"

var raisedField = []byte(`,"event":"` + EventRaised.String() + `",`)

// LineRaises tells whether a journal line, as AppendJSON writes it, says that an alarm
// came. Inside a string the quotes are escaped, so only the key itself can match.
func LineRaises(line []byte) bool { return bytes.Contains(line, raisedField) }
