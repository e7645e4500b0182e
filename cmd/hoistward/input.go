package main

import (
	"context"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"time"
	_ "time/tzdata" // zones where the system has none

	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/fieldcsv"
	"hoistward/ingest/record"
	"hoistward/ingest/wits/item"
)

// fieldOptions say how to read a field CSV.
type fieldOptions struct {
	Column []string  `sep:"none" placeholder:"HEADING=CHANNEL[UNIT]" help:"What a column of a field CSV means, by heading or number from 1; of WITS an item (0114=...), of line protocol a field; repeatable."`
	Null   []float64 `placeholder:"NUMBER" help:"A number in the file that means no value, such as -999.25; repeatable."`

	TimeForm string `placeholder:"FORM" help:"How the times of a field CSV are written, in the parts of strftime, such as %d.%m.%Y %H:%M:%S; columns date and time_of_day are joined by a space. Without it: RFC 3339, or the year first."`
	Zone     string `placeholder:"ZONE" help:"Of the clock that wrote times without an offset: +01:00 or Z; of a field CSV also a place, such as America/Chicago."`
}

func (o fieldOptions) parse() (fieldcsv.Options, error) {
	out := fieldcsv.Options{Nulls: o.Null}
	for _, text := range o.Column {
		c, err := fieldcsv.ParseColumn(text)
		if err != nil {
			return out, usageError{err}
		}
		out.Columns = append(out.Columns, c)
	}
	out.TimeForm = o.TimeForm
	if o.Zone == "" {
		return out, nil
	}
	if ahead, ok := item.ParseZone(o.Zone); ok {
		out.Zone = time.FixedZone(o.Zone, int(ahead.Seconds()))
		return out, nil
	}
	var err error
	if out.Zone, err = time.LoadLocation(o.Zone); err != nil || o.Zone == "Local" {
		return out, usagef("--zone: got %q, want an offset such as +01:00, Z, or a place such as America/Chicago", o.Zone)
	}
	return out, nil
}

// isField tells a field CSV from a recording by its name.
func isField(path string) bool {
	name := strings.TrimSuffix(strings.ToLower(path), ".gz")
	return strings.HasSuffix(name, ".csv") || strings.HasSuffix(name, ".txt")
}

// fieldEntries opens a field CSV as the entries of a recording of the rig. The
// caller reports and closes.
func fieldEntries(path string, o fieldOptions, rigFile string) (*fieldcsv.Reader, iter.Seq2[ingest.Entry, error], error) {
	if rigFile == "" {
		return nil, nil, usagef("%s: got no --rig, want the rig file of this field recording", path)
	}
	rig, text, err := configs.LoadRig(rigFile)
	if err != nil {
		return nil, nil, configError(err)
	}
	options, err := o.parse()
	if err != nil {
		return nil, nil, err
	}
	r, err := fieldcsv.Open(path, options)
	if err != nil {
		return nil, nil, err
	}
	var channels []string
	for _, c := range r.Channels() {
		channels = append(channels, c.String())
	}
	return r, fieldcsv.Entries(r.All(), fieldcsv.EntryOptions{
		Rig:     rig.Name,
		Session: ingest.Session{Software: "hoistward " + version, RigFile: string(text), Channels: channels},
	}), nil
}

// reportField says what the file's reader kept out.
func reportField(w io.Writer, path string, r *fieldcsv.Reader) {
	for _, n := range r.Notes() {
		fmt.Fprintf(w, "%s: note: %s\n", path, n)
	}
	for _, p := range r.Problems() {
		fmt.Fprintf(w, "%s: %s\n", path, p)
	}
}

// recordingPath returns where the recordings of a data folder stand; any other path
// is itself.
func recordingPath(path string) string {
	inside := filepath.Join(path, recordingsDir)
	if info, err := os.Stat(inside); err == nil && info.IsDir() {
		return inside
	}
	return path
}

// flushEvery is how many entries a bulk writer adds between waits for the disk, so
// that the recorder's queue never overflows.
const flushEvery = 4096

// recordAll writes entries to a recorder, waiting for it, and returns how many.
func recordAll(ctx context.Context, rec *record.Recorder, entries iter.Seq2[ingest.Entry, error], first uint64) (n uint64, err error) {
	for e, err := range entries {
		if err != nil {
			return n, err
		}
		e.Seq += first
		if !rec.Add(e) {
			return n, fmt.Errorf("entry %d was not taken: %s", e.Seq, rec.Status().LastError)
		}
		if n++; n%flushEvery == 0 {
			if err := rec.Flush(ctx); err != nil {
				return n, err
			}
		}
	}
	return n, rec.Flush(ctx)
}

// intoRecording opens a recorder in dir and records entries there.
func intoRecording(ctx context.Context, dir string, entries iter.Seq2[ingest.Entry, error]) (uint64, error) {
	folder := filepath.Join(dir, recordingsDir)
	first, err := record.LastSeq(folder)
	if err != nil {
		return 0, err
	}
	rec, err := record.Open(folder, record.Options{Software: "hoistward " + version})
	if err != nil {
		return 0, err
	}
	n, err := recordAll(ctx, rec, entries, first)
	if e := rec.Close(context.WithoutCancel(ctx)); err == nil {
		err = e
	}
	return n, err
}
