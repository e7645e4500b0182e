package configs

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"hoistward/ingest/units"
)

// rule is what one number must satisfy whatever the others are.
type rule struct {
	holds func(float64) bool
	want  string
}

// Signs and ranges that hoist.Rig.Validate knows are not repeated: anyNumber
// leaves them to it.
var (
	anyNumber   = rule{func(float64) bool { return true }, "a finite number"}
	positive    = rule{func(x float64) bool { return x > 0 }, "a value above 0"}
	notNegative = rule{func(x float64) bool { return x >= 0 }, "a value of 0 or more"}
)

func between(low, high float64, want string) rule {
	return rule{func(x float64) bool { return x >= low && x <= high }, want}
}

func upTo(high float64, want string) rule {
	return rule{func(x float64) bool { return x > 0 && x <= high }, want}
}

// quantity reads a required number with its unit into dst, in SI.
func quantity[T ~float64](o *object, key string, dst *T, dimension units.Dimension, must rule) {
	readQuantity(o, key, dst, dimension, must, true)
}

// optional reads a number with its unit into dst, which holds standard where the
// file does not say. It tells whether the file says.
func optional[T ~float64](o *object, key string, dst *T, dimension units.Dimension, must rule, standard T) bool {
	*dst = standard
	if !o.has(key) {
		o.note(key, dimension, must)
		o.ask(key)
		return false
	}
	return readQuantity(o, key, dst, dimension, must, false)
}

func readQuantity[T ~float64](o *object, key string, dst *T, dimension units.Dimension, must rule, required bool) bool {
	o.note(key, dimension, must)
	text, line, ok := o.scalar(key, required, wantQuantity(dimension))
	if ok {
		var x float64
		if x, ok = o.r.parse(text, line, o.at(key), dimension, must); ok {
			*dst = T(x)
			return true
		}
	}
	o.r.unread = append(o.r.unread, func(x float64) { *dst = T(x) })
	return false
}

func (r *reader) parse(text string, line int, path string, dimension units.Dimension, must rule) (float64, bool) {
	x, err := units.Parse(text, dimension)
	switch {
	case err != nil:
		got, want := splitError(err)
		if dimension == units.Dimensionless {
			want = wantQuantity(dimension)
		}
		r.add(line, path, got, want)
	case !must.holds(x):
		r.add(line, path, text, must.want)
	default:
		return x, true
	}
	return 0, false
}

// splitError takes "got ..., want ..." apart.
func splitError(err error) (got, want string) {
	text := strings.TrimPrefix(err.Error(), "got ")
	if i := strings.LastIndex(text, ", want "); i >= 0 {
		return text[:i], text[i+len(", want "):]
	}
	return "a value that cannot be read", text
}

func wantQuantity(d units.Dimension) string {
	if d == units.Dimensionless {
		return "a number"
	}
	return article(d.String()) + " with its unit"
}

// article returns noun with "a" or "an" before it.
func article(noun string) string {
	if strings.ContainsRune("aeiou", rune(noun[0])) {
		return "an " + noun
	}
	return "a " + noun
}

// wholeRule is what a whole number must satisfy.
type wholeRule struct {
	low, high int
	want      string
	holds     func(int) bool
}

func from(low, high int) wholeRule {
	return wholeRule{low, high, fmt.Sprintf("a whole number from %d to %d", low, high), func(int) bool { return true }}
}

// whole reads a whole number into dst, which stays where the file does not say.
func whole[T ~int | ~uint | ~uint8](o *object, key string, dst *T, required bool, must wholeRule) {
	o.note(key, units.Dimensionless, rule{want: must.want})
	text, line, ok := o.scalar(key, required, must.want)
	if ok {
		n, err := strconv.Atoi(text)
		if err == nil && n >= must.low && n <= must.high && must.holds(n) {
			*dst = T(n)
			return
		}
		o.r.add(line, o.at(key), text, must.want)
	}
	if required || o.has(key) {
		o.r.unread = append(o.r.unread, func(x float64) {
			*dst = T(min(max(x, float64(must.low)), float64(must.high)))
		})
	}
}

// choice reads one of the words and returns its index.
func (o *object) choice(key string, required bool, words ...string) (int, bool) {
	want := strings.Join(words, " or ")
	if len(words) > 2 {
		want = "one of " + strings.Join(words, ", ")
	}
	text, line, ok := o.scalar(key, required, want)
	if !ok {
		return 0, false
	}
	if i := slices.Index(words, text); i >= 0 {
		return i, true
	}
	o.r.add(line, o.at(key), strconv.Quote(text), want)
	return 0, false
}

// truth reads true or false.
func (o *object) truth(key string) bool {
	i, _ := o.choice(key, false, "false", "true")
	return i == 1
}

var nameForm = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9._-]{0,62}[A-Za-z0-9_-])?$`)

const nameWant = "a name of letters, digits, dots, dashes and underscores, at most 64, no dot or dash first and no dot last"

// name reads a name that can stand in a topic and as a folder.
func (o *object) name(key string) string {
	text, line, ok := o.scalar(key, true, nameWant)
	if ok && !nameForm.MatchString(text) {
		o.r.add(line, o.at(key), strconv.Quote(text), nameWant)
		return ""
	}
	return text
}

// words reads free text, which may not be empty.
func (o *object) words(key string, required bool, want string) (string, bool) {
	text, line, ok := o.scalar(key, required, want)
	if ok && strings.TrimSpace(text) == "" {
		o.r.add(line, o.at(key), strconv.Quote(text), want)
		return "", false
	}
	return text, ok
}

// instant reads a time of day with its offset; it comes back in UTC.
func (o *object) instant(key string, required bool) time.Time {
	const want = "a time such as 2026-11-01T06:00:00Z"
	text, line, ok := o.scalar(key, required, want)
	if !ok {
		return time.Time{}
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		o.r.add(line, o.at(key), strconv.Quote(text), want)
		return time.Time{}
	}
	return t.UTC()
}

// duration reads a time from least to most into dst, which holds standard where
// the file does not say.
func (o *object) duration(key string, dst *time.Duration, standard time.Duration, must rule) {
	var s units.Second
	optional(o, key, &s, units.Time, must, units.Second(standard.Seconds()))
	*dst = time.Duration(math.Round(float64(s) * float64(time.Second)))
}

// number reads one list item as a plain number.
func (r *reader) number(m item) (float64, bool) {
	text, ok := r.text(m.node, m.path, "a number")
	if !ok {
		return 0, false
	}
	return r.parse(text, m.node.Line, m.path, units.Dimensionless, anyNumber)
}
