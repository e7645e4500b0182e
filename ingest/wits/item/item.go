// Package item knows the items of WITS level 0: how they are numbered, what units
// the predefined records give them, and what record 23 says of units and zone.
//
// It is a table and arithmetic: it may not read a stream, a file or a clock.
package item

// Items that every record has, and those of record 23 that speak of all others.
const (
	Date       = 5
	Time       = 6
	UnitSystem = 2332
	ZoneOffset = 2333
)

// Want is what a field has to be.
const Want = `four digits, record and item, such as "0114", and not date, time or what record 23 says of units`

// Parse returns the number of a record and item, 100·record + item, written as
// four digits.
func Parse(text string) (int, bool) {
	if len(text) != 4 {
		return 0, false
	}
	n := 0
	for i := range len(text) {
		if text[i] < '0' || text[i] > '9' {
			return 0, false
		}
		n = 10*n + int(text[i]-'0')
	}
	return n, true
}

// Reserved tells whether no channel can be read from an item: the date and time that
// every record has, and what record 23 says of units and zone.
func Reserved(code int) bool {
	n := code % 100
	return n == Date || n == Time || code == UnitSystem || code == ZoneOffset
}
