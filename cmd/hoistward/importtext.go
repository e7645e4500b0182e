package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"os"
	"strings"
	"time"

	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/fieldcsv"
	"hoistward/ingest/payload"
	"hoistward/ingest/payload/lines"
	"hoistward/ingest/units"
	"hoistward/ingest/wits"
	"hoistward/ingest/wits/item"
)

// textOptions say how to read a file of WITS level 0 or of line protocol.
type textOptions struct {
	Format    string `enum:"auto,csv,wits,lines" default:"auto" help:"What the file is: csv, wits (level 0, as it came) or lines (line protocol). auto goes by the name: .wits, .lp, else csv."`
	Precision string `enum:"ns,us,ms,s" default:"ns" help:"With lines: of the times, ns, us, ms or s."`
}

// format returns what the file at path is.
func (o textOptions) format(path string) string {
	if o.Format != "auto" {
		return o.Format
	}
	name := strings.TrimSuffix(strings.ToLower(path), ".gz")
	switch {
	case strings.HasSuffix(name, ".wits"):
		return "wits"
	case strings.HasSuffix(name, ".lp"):
		return "lines"
	}
	return "csv"
}

// textFile is a file of messages that are read by the decoders of live sources.
type textFile struct {
	path     string
	file     *os.File
	in       *bufio.Reader
	wits     bool
	decoder  payload.Decoder
	channels []string
	counters ingest.Counters
}

// anyTime is the moment that messages of a file count as received at: every stamp
// that can be written is within a mapping's widest limits of it.
var anyTime = time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)

const widest = time.Duration(math.MaxInt64 / 2) // 146 years

// openText opens a file of WITS level 0 or line protocol.
func openText(path string, field fieldOptions, o textOptions) (*textFile, error) {
	f := &textFile{path: path, wits: o.format(path) == "wits"}
	m, err := textMapping(field)
	if err != nil {
		return nil, err
	}
	for c := range ingest.NumChannels {
		if m.Channels[c].Mapped {
			f.channels = append(f.channels, c.String())
		}
	}
	if f.wits {
		zone, ok := item.ParseZone(field.Zone)
		if !ok {
			return nil, usagef("--zone: got %q, want the zone of the sender's clock, such as +01:00 or Z", field.Zone)
		}
		f.decoder, err = wits.NewDecoder(m, wits.Options{Zone: zone})
	} else {
		f.decoder, err = lines.New(m, lines.Options{Precision: o.Precision})
	}
	if err != nil {
		return nil, usageError{err}
	}
	if f.file, err = os.Open(path); err != nil {
		return nil, err
	}
	f.in = bufio.NewReaderSize(f.file, 1<<16)
	if head, _ := f.in.Peek(2); bytes.Equal(head, []byte{0x1f, 0x8b}) {
		z, err := gzip.NewReader(f.in)
		if err != nil {
			f.file.Close()
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		f.in = bufio.NewReaderSize(z, 1<<16)
	}
	return f, nil
}

// textMapping makes a mapping of the columns of the command line.
func textMapping(o fieldOptions) (*ingest.Mapping, error) {
	m := &ingest.Mapping{TimeField: "time", MaxAhead: widest, MaxBehind: widest}
	for _, text := range o.Column {
		column, err := fieldcsv.ParseColumn(text)
		if err != nil {
			return nil, usageError{err}
		}
		name, symbol, _ := strings.Cut(strings.TrimSuffix(column.Meaning, "]"), "[")
		c, ok := ingest.ParseChannel(strings.TrimSpace(name))
		if !ok {
			return nil, usagef("column: got %q, want a channel: each message has its own time", text)
		}
		u, _ := units.Lookup(strings.TrimSpace(symbol)) // ParseColumn has seen to it
		if m.Channels[c].Mapped {
			return nil, usagef("column: got %s twice, want each channel once", c)
		}
		m.Channels[c] = ingest.ChannelMap{
			Mapped: true, Field: column.Heading, Unit: u, Scale: 1, Low: -math.MaxFloat64, High: math.MaxFloat64, Nulls: o.Null,
		}
	}
	if len(o.Column) == 0 {
		return nil, usagef(`got no --column, want what is read, such as "0114=hook_load[kdaN]"`)
	}
	return m, nil
}

// samples returns the file's samples, in its order.
func (f *textFile) samples() iter.Seq2[ingest.Sample, error] {
	return func(yield func(ingest.Sample, error) bool) {
		t := &textTaker{f: f, yield: yield, more: true}
		read := t.lines
		if f.wits {
			read = t.frames
		}
		if err := read(); err != nil && t.more {
			yield(ingest.Sample{}, fmt.Errorf("%s: %w", f.path, err))
			return
		}
		if t.n == 0 && t.more {
			yield(ingest.Sample{}, fmt.Errorf("%s: got no readings, want some of the columns given", f.path))
		}
	}
}

// textTaker hands what the decoder makes of a file on.
type textTaker struct {
	f     *textFile
	yield func(ingest.Sample, error) bool
	more  bool // samples are still wanted
	n     int
}

// Sample takes a sample.
func (t *textTaker) Sample(_ string, s *ingest.Sample) {
	t.n++
	t.more = t.more && t.yield(*s, nil)
}

// Reject counts what was not used.
func (t *textTaker) Reject(_ string, r ingest.Reject, detail string) {
	t.f.counters.Add(t.f.path, r, detail)
}

func (t *textTaker) message(text []byte) {
	t.f.decoder.Decode(&ingest.Message{Payload: text, Received: anyTime}, t)
}

// frames reads WITS level 0. The last line may lack its end.
func (t *textTaker) frames() error {
	framer := wits.NewFramer(func(frame []byte) { t.message(frame) }, func(why string, head []byte) {
		t.Reject("", ingest.RejectBrokenFrame, fmt.Sprintf("%s: %q", why, head))
	})
	buf := make([]byte, 1<<15)
	for t.more {
		n, err := t.f.in.Read(buf)
		framer.Write(buf[:n])
		switch {
		case errors.Is(err, io.EOF):
			framer.Write([]byte("\n"))
			framer.Close()
			return nil
		case err != nil:
			return err
		}
	}
	return nil
}

// linesAtOnce is how many lines are decoded as one message.
const linesAtOnce = 64

// lines reads line protocol.
func (t *textTaker) lines() error {
	in := bufio.NewScanner(t.f.in)
	in.Buffer(nil, lines.MaxSize/linesAtOnce)
	var text []byte
	n := 0
	for t.more && in.Scan() {
		text = append(append(text, in.Bytes()...), '\n')
		if n++; n%linesAtOnce == 0 {
			t.message(text)
			text = text[:0]
		}
	}
	if t.more && len(text) > 0 {
		t.message(text)
	}
	return in.Err()
}

// report says what was kept out.
func (f *textFile) report(w io.Writer) {
	for _, c := range f.counters.Snapshot() {
		fmt.Fprintf(w, "%s: %s: %d, the last: %s\n", f.path, c.Words, c.N, c.Example)
	}
}

// importText imports a file of messages.
func (c *importCmd) importText(s *streams) (err error) {
	rig, text, err := configs.LoadRig(c.Rig)
	if err != nil {
		return configError(err)
	}
	f, err := openText(c.File, c.fieldOptions, c.textOptions)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.file.Close()) }()
	n, err := intoRecording(s.ctx, c.Out, fieldcsv.Entries(f.samples(), fieldcsv.EntryOptions{
		Rig:     rig.Name,
		Session: ingest.Session{Software: "hoistward " + version, RigFile: string(text), Channels: f.channels},
	}))
	f.report(s.err)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "%d entries in %s\n", n, c.Out)
	return err
}
