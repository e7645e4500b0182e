package fieldcsv

import (
	"bufio"
	"fmt"
	"io"
	"iter"
	"strconv"

	"hoistward/ingest"
	"hoistward/ingest/units"
)

// WriteOptions say how samples are written.
type WriteOptions struct {
	Channels []ingest.Channel              // the columns; nil: all channels
	Units    map[ingest.Channel]units.Unit // where not SI
}

// Write writes samples in the form that Reader reads: time as RFC 3339 UTC with
// milliseconds, or with as many more digits as it takes; each number as short as
// it can be without losing a bit; nothing where there is no value. In SI units,
// times and numbers come back exactly; in others a number may come back a last
// digit off. Quality and reasons are not kept, except that a bad value is empty.
func Write(w io.Writer, samples iter.Seq2[ingest.Sample, error], o WriteOptions) error {
	fields, err := columns(o)
	if err != nil {
		return err
	}
	b := bufio.NewWriterSize(w, 1<<16)
	b.WriteString("time")
	for _, f := range fields {
		b.WriteString("," + f.channel.String())
		if f.unit.Dimension != units.Dimensionless || f.unit.Factor != 1 {
			b.WriteString("[" + f.unit.Symbol + "]")
		}
	}
	b.WriteByte('\n')
	var line []byte
	for s, err := range samples {
		if err != nil {
			b.Flush()
			return err
		}
		line = formatTime(line[:0], s.Time)
		for _, f := range fields {
			line = append(line, ',')
			if x, ok := s.Values[f.channel].Float(); ok && s.Named(f.channel) {
				line = strconv.AppendFloat(line, f.unit.FromSI(x), 'g', -1, 64)
			}
		}
		line = append(line, '\n')
		if _, err := b.Write(line); err != nil {
			return fmt.Errorf("CSV: %w", err)
		}
	}
	if err := b.Flush(); err != nil {
		return fmt.Errorf("CSV: %w", err)
	}
	return nil
}

func columns(o WriteOptions) ([]field, error) {
	channels := o.Channels
	if channels == nil {
		for c := range ingest.NumChannels {
			channels = append(channels, c)
		}
	}
	var fields []field
	for _, c := range channels {
		u, ok := o.Units[c]
		if !ok {
			u = SI(c.Dimension())
		}
		if u.Dimension != c.Dimension() {
			return nil, fmt.Errorf("CSV: got the unit %q for %s, want a unit of %s", u.Symbol, c, c.Dimension())
		}
		fields = append(fields, field{kind: measured, channel: c, unit: u})
	}
	return fields, nil
}
