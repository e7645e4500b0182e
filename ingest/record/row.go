package record

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"hoistward/ingest"
)

// numNonChannel is the number of columns before the channels.
var numNonChannel = len(entryColumns)

// farTime keeps an event time that does not fit into 64 bits of nanoseconds.
type farTime struct {
	Seconds     int64 `json:"time_s"`
	Nanoseconds int   `json:"time_ns"`
}

// nanoseconds returns t as ns since 1970, and whether it fits (1677 to 2262).
func nanoseconds(t time.Time) (int64, bool) {
	s := t.Unix()
	const limit = math.MaxInt64/1_000_000_000 - 1
	return t.UnixNano(), s > -limit && s < limit
}

func instant(ns int64) time.Time { return time.Unix(0, ns).UTC() }

// encodeEntry fills args with the columns of an entry, whose body stands in its item. The slice is used again by the
// caller.
func encodeEntry(args []any, it *item) ([]any, error) {
	e := &it.entry
	received, ok := nanoseconds(e.Received)
	switch {
	case !ok:
		return nil, fmt.Errorf("got the receipt time %s, want 1678 to 2261", e.Received)
	case e.Seq > math.MaxInt64:
		return nil, fmt.Errorf("got seq %d, want at most %d", e.Seq, int64(math.MaxInt64))
	}
	args = append(args[:0], int64(e.Seq), received, int64(e.Kind), nil, nil, nil, nil)
	for range ingest.NumChannels {
		args = append(args, nil)
	}
	if e.Kind == ingest.EntrySample {
		return args, encodeSample(args, &e.Sample)
	}
	if it.bad == nil && kindNames[e.Kind] == "" {
		return nil, fmt.Errorf("got an entry of kind %d, which has no meaning", e.Kind)
	}
	args[6] = it.body
	return args, it.bad
}

func encodeSample(args []any, s *ingest.Sample) error {
	if !s.Time.IsZero() {
		if ns, ok := nanoseconds(s.Time); ok {
			args[3] = ns
		} else {
			text, err := json.Marshal(farTime{s.Time.Unix(), s.Time.Nanosecond()})
			if err != nil {
				return err
			}
			args[6] = string(text)
		}
	}
	args[4] = int64(s.Has)
	var quality []byte
	for c := range ingest.NumChannels {
		if !s.Named(c) {
			continue
		}
		v := s.Values[c]
		if math.IsNaN(v.V) || math.IsInf(v.V, 0) {
			if v.Quality != ingest.Bad {
				v = ingest.BadValue(ingest.NotANumber)
			}
		}
		minus := v.Quality != ingest.Bad && v.V == 0 && math.Signbit(v.V)
		if v.Quality != ingest.Bad {
			args[numNonChannel+int(c)] = v.V
		}
		if v.Quality != ingest.Good || v.Reason != ingest.NoReason || minus {
			quality = appendQuality(quality, c, v, minus)
		}
	}
	if quality != nil {
		args[5] = string(quality)
	}
	return nil
}

const qualityLetters = "bug"

func appendQuality(b []byte, c ingest.Channel, v ingest.Value, minus bool) []byte {
	if b != nil {
		b = append(b, ' ')
	}
	b = strconv.AppendInt(b, int64(c), 10)
	b = append(b, qualityLetters[min(v.Quality, ingest.Good)])
	b = strconv.AppendInt(b, int64(v.Reason), 10)
	if minus {
		b = append(b, '-')
	}
	return b
}

func encodeBody(e *ingest.Entry) (any, error) {
	var part any
	switch {
	case e.Kind == ingest.EntryAct && e.Act != nil:
		part = e.Act
	case e.Kind == ingest.EntryLink && e.Link != nil:
		part = e.Link
	case e.Kind == ingest.EntrySession && e.Session != nil:
		part = e.Session
	case e.Kind == ingest.EntryGap && e.Gap != nil:
		part = e.Gap
	default:
		return nil, nil
	}
	text, err := json.Marshal(part)
	if err != nil {
		return nil, err
	}
	return string(text), nil
}

// decodeEntry makes an entry of a row: entryColumns, then the channels.
func decodeEntry(rig string, row []any) (ingest.Entry, error) {
	e := ingest.Entry{Rig: rig}
	seq, ok := row[0].(int64)
	received, ok2 := row[1].(int64)
	kind, ok3 := row[2].(int64)
	if !ok || !ok2 || !ok3 || kindNames[ingest.Kind(kind)] == "" {
		return e, fmt.Errorf("row %v: got seq, received, kind %v, want three numbers and a known kind", row[0], row[:3])
	}
	e.Seq, e.Received, e.Kind = uint64(seq), instant(received), ingest.Kind(kind)
	var err error
	if e.Kind == ingest.EntrySample {
		err = decodeSample(&e.Sample, row)
	} else if body, ok := row[6].(string); ok {
		err = decodeBody(&e, []byte(body))
	}
	if err != nil {
		return e, fmt.Errorf("row %d: %w", seq, err)
	}
	return e, nil
}

func decodeSample(s *ingest.Sample, row []any) error {
	if ns, ok := row[3].(int64); ok {
		s.Time = instant(ns)
	} else if body, ok := row[6].(string); ok {
		var far farTime
		if err := json.Unmarshal([]byte(body), &far); err != nil {
			return err
		}
		s.Time = time.Unix(far.Seconds, int64(far.Nanoseconds)).UTC()
	}
	has, _ := row[4].(int64)
	s.Has = uint32(has)
	for c := range ingest.NumChannels {
		if !s.Named(c) || numNonChannel+int(c) >= len(row) {
			continue
		}
		if v, ok := row[numNonChannel+int(c)].(float64); ok {
			s.Values[c] = ingest.Value{V: v, Quality: ingest.Good}
		}
	}
	if text, ok := row[5].(string); ok {
		return decodeQuality(s, text)
	}
	return nil
}

var errQuality = errors.New("the quality column cannot be read")

func decodeQuality(s *ingest.Sample, text string) error {
	for item := range strings.SplitSeq(text, " ") {
		i := strings.IndexAny(item, qualityLetters)
		if i < 0 {
			return fmt.Errorf("got %q: %w", text, errQuality)
		}
		c, err := strconv.ParseUint(item[:i], 10, 8)
		rest, minus := strings.CutSuffix(item[i+1:], "-")
		reason, err2 := strconv.ParseUint(rest, 10, 8)
		if err != nil || err2 != nil || c >= uint64(ingest.NumChannels) {
			return fmt.Errorf("got %q: %w", text, errQuality)
		}
		v := &s.Values[c]
		v.Quality = ingest.Quality(strings.IndexByte(qualityLetters, item[i]))
		v.Reason = ingest.Reason(reason)
		if minus {
			v.V = math.Copysign(0, -1)
		}
		if v.Quality == ingest.Bad {
			v.V = 0
		}
	}
	return nil
}

func decodeBody(e *ingest.Entry, body []byte) error {
	var part any
	switch e.Kind {
	case ingest.EntryAct:
		e.Act = new(ingest.Act)
		part = e.Act
	case ingest.EntryLink:
		e.Link = new(ingest.Link)
		part = e.Link
	case ingest.EntrySession:
		e.Session = new(ingest.Session)
		part = e.Session
	case ingest.EntryGap:
		e.Gap = new(ingest.Gap)
		part = e.Gap
	default:
		return nil
	}
	return json.Unmarshal(body, part)
}
