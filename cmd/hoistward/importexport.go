package main

import (
	"errors"
	"fmt"
	"iter"
	"os"

	"hoistward/ingest"
	"hoistward/ingest/fieldcsv"
	"hoistward/ingest/record"
	"hoistward/ingest/units"
)

type importCmd struct {
	File string `arg:"" type:"existingfile" help:"A field CSV, a stream of WITS level 0 or line protocol, gzipped or not."`
	Out  string `required:"" type:"path" placeholder:"FOLDER" help:"Data folder that the recording goes into."`
	Rig  string `required:"" placeholder:"RIG.YAML" help:"The rig file of this recording, or the name of an example."`
	fieldOptions
	textOptions
}

func (c *importCmd) Run(s *streams) error {
	if c.format(c.File) != "csv" {
		return c.importText(s)
	}
	r, entries, err := fieldEntries(c.File, c.fieldOptions, c.Rig)
	if err != nil {
		return err
	}
	defer r.Close()
	n, err := intoRecording(s.ctx, c.Out, entries)
	reportField(s.err, c.File, r)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "%d entries in %s\n", n, c.Out)
	return err
}

type exportCmd struct {
	Files []string `arg:"" name:"file" type:"existingpath" help:"Recordings, or folders of them, of one rig."`
	Out   string   `required:"" type:"path" placeholder:"FILE.CSV" help:"Where the field CSV goes."`
	Only  string   `placeholder:"RIG" help:"The rig to write, where there are several."`
}

// exportUnits are what a field CSV is written in.
var exportUnits = map[ingest.Channel]string{
	ingest.HookLoad: "kN", ingest.DeadLineTension: "kN", ingest.DrumSpeed: "rpm",
	ingest.BrakePressure: "MPa", ingest.EmergencyPressure: "MPa", ingest.DriveTorque: "kN.m",
	ingest.BrakeTemperature: "degC", ingest.CoolantTemperature: "degC",
}

func (c *exportCmd) Run(s *streams) (err error) {
	channels, err := c.channels()
	if err != nil {
		return err
	}
	f, err := os.Create(c.Out)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	o := fieldcsv.WriteOptions{Channels: channels, Units: map[ingest.Channel]units.Unit{}}
	for ch, symbol := range exportUnits {
		o.Units[ch], _ = units.Lookup(symbol)
	}
	return fieldcsv.Write(f, c.samples(), o)
}

// channels returns those that the recordings name at all, in order: they are the
// columns.
func (c *exportCmd) channels() ([]ingest.Channel, error) {
	var has uint32
	for s, err := range c.samples() {
		if err != nil {
			return nil, err
		}
		has |= s.Has
	}
	var list []ingest.Channel
	for ch := range ingest.NumChannels {
		if has&(1<<ch) != 0 {
			list = append(list, ch)
		}
	}
	if len(list) == 0 {
		return nil, errors.New("got no readings, want a recording")
	}
	return list, nil
}

func (c *exportCmd) samples() iter.Seq2[ingest.Sample, error] {
	return func(yield func(ingest.Sample, error) bool) {
		rig := c.Only
		for e, err := range record.Read(recordingPaths(c.Files)...) {
			if err != nil {
				yield(ingest.Sample{}, err)
				return
			}
			if e.Kind != ingest.EntrySample || (c.Only != "" && e.Rig != c.Only) {
				continue
			}
			if rig == "" {
				rig = e.Rig
			}
			if e.Rig != rig {
				yield(ingest.Sample{}, usagef("got recordings of %s and %s, want --only with one of them", rig, e.Rig))
				return
			}
			if !yield(e.Sample, nil) {
				return
			}
		}
	}
}

func recordingPaths(files []string) []string {
	out := make([]string, len(files))
	for i, f := range files {
		out[i] = recordingPath(f)
	}
	return out
}
