package lines

import (
	"errors"
	"fmt"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"hoistward/ingest"
)

// read reads one line into d.one.
func (d *Decoder) read(text []byte, rig string) error {
	d.one = line{rig: rig, rejects: d.one.rejects[:0]}
	r := lineprotocol.NewDecoderWithBytes(text)
	if !r.Next() {
		return errors.New("no line")
	}
	measurement, err := r.Measurement()
	if err != nil {
		return reason(err)
	}
	d.name = append(d.name[:0], measurement...)
	if err := d.tags(r); err != nil {
		return reason(err)
	}
	if err := d.values(r, len(measurement)); err != nil {
		return reason(err)
	}
	if err := d.time(r); err != nil {
		return err
	}
	if r.Next() {
		return errors.New("more than one line")
	}
	return nil
}

// errTime marks a line whose time cannot be read.
var errTime = errors.New("time")

// reason takes the place in the decoder's own text off: each line is its first.
func reason(err error) error {
	var e *lineprotocol.DecodeError
	if errors.As(err, &e) {
		return e.Err
	}
	return err
}

func (d *Decoder) tags(r *lineprotocol.Decoder) error {
	for {
		key, value, err := r.NextTag()
		if err != nil || key == nil {
			return err
		}
		if d.rigTag != "" && string(key) == d.rigTag {
			d.one.rig = string(value)
		}
	}
}

// values reads the fields. d.name holds the measurement, of so many bytes.
func (d *Decoder) values(r *lineprotocol.Decoder, measurement int) error {
	for {
		key, kind, data, err := r.NextFieldBytes()
		if err != nil || key == nil {
			return err
		}
		c, ok := d.channel(key, measurement)
		if !ok {
			continue
		}
		v := d.value(c, kind, data)
		if d.one.sample.Named(c) {
			v = ingest.BadValue(ingest.NamedTwice)
		}
		d.one.sample.Set(c, v)
		if v.Quality == ingest.Bad {
			d.one.rejects = append(d.one.rejects, reject{v.Reason.Reject(), c.String()})
		}
	}
}

// channel finds the channel that a field is of: measurement and key come before the
// key alone.
func (d *Decoder) channel(key []byte, measurement int) (ingest.Channel, bool) {
	d.name = append(append(d.name[:measurement], '.'), key...)
	c, ok := d.fields[string(d.name)]
	d.name = d.name[:measurement]
	if !ok {
		c, ok = d.fields[string(key)]
	}
	return c, ok
}

func (d *Decoder) value(c ingest.Channel, kind lineprotocol.ValueKind, data []byte) ingest.Value {
	v, err := lineprotocol.NewValueFromBytes(kind, data)
	if err != nil { // out of range, or digits that are none
		return ingest.BadValue(ingest.NotANumber)
	}
	switch kind {
	case lineprotocol.Float:
		return d.mapping.Convert(c, v.FloatV())
	case lineprotocol.Int:
		return d.mapping.Convert(c, float64(v.IntV()))
	case lineprotocol.Uint:
		return d.mapping.Convert(c, float64(v.UintV()))
	case lineprotocol.Bool:
		if !c.OnOff() {
			break
		}
		if v.BoolV() {
			return d.mapping.Convert(c, 1)
		}
		return d.mapping.Convert(c, 0)
	}
	return ingest.BadValue(ingest.WrongType)
}

func (d *Decoder) time(r *lineprotocol.Decoder) error {
	at, err := r.Time(d.precision, time.Time{})
	if err != nil {
		return fmt.Errorf("%w: %w", errTime, reason(err))
	}
	d.one.at, d.one.timed = at.UTC(), !at.IsZero()
	return nil
}
