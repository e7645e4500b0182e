package main

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"hoistward/ingest"
	"hoistward/ingest/fieldcsv"
	"hoistward/ingest/record"
	"hoistward/ingest/tables"
	"hoistward/ingest/units"
)

type exportCmd struct {
	Files     []string `arg:"" name:"file" type:"existingpath" help:"Recordings, or folders of them; they may be recorded at the moment."`
	Out       string   `type:"path" placeholder:"FILE" help:"Where the table goes: by its ending .csv, .parquet or .lp (line protocol). CSV is of one rig."`
	Copy      string   `type:"path" placeholder:"FOLDER" help:"Instead of a table: a plain, checked copy of each recording, whole as of now."`
	Estimates bool     `help:"The answers as they were recorded, instead of the readings."`
	Only      string   `placeholder:"RIG" help:"The rig to write, where there are several."`
}

// exportUnits are what readings are written in.
var exportUnits = map[ingest.Channel]string{
	ingest.HookLoad: "kN", ingest.DeadLineTension: "kN", ingest.DrumSpeed: "rpm",
	ingest.BrakePressure: "MPa", ingest.EmergencyPressure: "MPa", ingest.DriveTorque: "kN.m",
	ingest.BrakeTemperature: "degC", ingest.CoolantTemperature: "degC",
}

func (c *exportCmd) Run(s *streams) error {
	if (c.Out == "") == (c.Copy == "") {
		return usagef("got neither or both of --out and --copy, want one of them")
	}
	rigs, err := record.ByRig(recordingPaths(c.Files)...)
	if err != nil {
		return err
	}
	if c.Only != "" {
		rigs = map[string][]string{c.Only: rigs[c.Only]}
		if rigs[c.Only] == nil {
			return usagef("--only: got %q, of which there is no recording", c.Only)
		}
	}
	if c.Copy != "" {
		return c.copyAll(s, rigs)
	}
	return c.table(rigs)
}

// copyAll copies each recording into a folder of its rig.
func (c *exportCmd) copyAll(s *streams, rigs map[string][]string) error {
	for _, rig := range slices.Sorted(maps.Keys(rigs)) {
		if err := record.CheckRig(rig); err != nil {
			return err
		}
		folder := filepath.Join(c.Copy, rig)
		if err := os.MkdirAll(folder, 0o755); err != nil {
			return err
		}
		for _, path := range rigs[rig] {
			to := filepath.Join(folder, filepath.Base(path))
			if err := record.Copy(s.ctx, path, to); err != nil {
				return err
			}
			if _, err := fmt.Fprintln(s.out, to); err != nil {
				return err
			}
		}
	}
	return nil
}

func (c *exportCmd) table(rigs map[string][]string) (err error) {
	ending := strings.ToLower(filepath.Ext(c.Out))
	if ending != ".csv" && ending != ".parquet" && ending != ".lp" {
		return usagef("--out: got %q, want a name that ends with .csv, .parquet or .lp", c.Out)
	}
	order := slices.Sorted(maps.Keys(rigs))
	if ending == ".csv" && len(order) > 1 {
		return usagef("got recordings of %s and %s, want --only with one of them", order[0], order[1])
	}
	export := exportReadings
	if c.Estimates {
		export = exportEstimates
	}
	columns, rows, err := export(order, rigs)
	if err != nil {
		return err
	}
	part := c.Out + ".part" // an interrupted export leaves no half of a table under its name
	f, err := os.Create(part)
	if err != nil {
		return err
	}
	defer func() {
		if err = errors.Join(err, f.Close()); err == nil {
			err = os.Rename(part, c.Out)
		} else {
			os.Remove(part)
		}
	}()
	w, err := c.writer(f, ending, columns)
	if err != nil {
		return err
	}
	for r, err := range rows {
		if err == nil {
			err = w.Write(&r)
		}
		if err != nil {
			return err
		}
	}
	return w.Close()
}

func (c *exportCmd) writer(f io.Writer, ending string, columns []tables.Column) (tables.Writer, error) {
	switch ending {
	case ".csv":
		return tables.NewCSV(f, columns)
	case ".parquet":
		return tables.NewParquet(f, columns)
	}
	measurement := "reading"
	if c.Estimates {
		measurement = "estimate"
	}
	return tables.NewLines(f, measurement, columns)
}

// exportReadings returns the columns of the channels that the recordings name at all,
// and the readings, rig by rig.
func exportReadings(order []string, rigs map[string][]string) ([]tables.Column, iter.Seq2[tables.Row, error], error) {
	var has uint32
	for s, err := range samples(order, rigs) {
		if err != nil {
			return nil, nil, err
		}
		has |= s.Sample.Has
	}
	var columns []tables.Column
	var channels []ingest.Channel
	var unit []units.Unit
	for ch := range ingest.NumChannels {
		if has&(1<<ch) == 0 {
			continue
		}
		u := fieldcsv.SI(ch.Dimension())
		if symbol, ok := exportUnits[ch]; ok {
			u, _ = units.Lookup(symbol)
		}
		heading := ch.String()
		if u.Symbol != "" && u.Dimension != units.Dimensionless {
			heading += "[" + u.Symbol + "]"
		}
		columns, channels, unit = append(columns, tables.Column{Heading: heading}), append(channels, ch), append(unit, u)
	}
	if len(columns) == 0 {
		return nil, nil, errors.New("got no readings, want a recording")
	}
	rows := func(yield func(tables.Row, error) bool) {
		values := make([]any, len(channels))
		for e, err := range samples(order, rigs) {
			for i, ch := range channels {
				values[i] = nil
				if x, ok := e.Sample.Values[ch].Float(); ok && e.Sample.Named(ch) {
					values[i] = unit[i].FromSI(x)
				}
			}
			if !yield(tables.Row{Rig: e.Rig, Time: e.Sample.Time, Values: values}, err) {
				return
			}
		}
	}
	return columns, rows, nil
}

func samples(order []string, rigs map[string][]string) iter.Seq2[ingest.Entry, error] {
	return func(yield func(ingest.Entry, error) bool) {
		for _, rig := range order {
			for e, err := range record.Read(rigs[rig]...) {
				if err == nil && e.Kind != ingest.EntrySample {
					continue
				}
				if !yield(e, err) {
					return
				}
			}
		}
	}
}

// exportEstimates returns the columns of an estimates file, and the estimates as
// recorded, rig by rig.
func exportEstimates(order []string, rigs map[string][]string) ([]tables.Column, iter.Seq2[tables.Row, error], error) {
	var columns []tables.Column
	for _, c := range estimateColumns() {
		columns = append(columns, tables.Column{Heading: c.Name, Text: c.Text})
	}
	var paths []string
	for _, rig := range order {
		paths = append(paths, rigs[rig]...)
	}
	for _, err := range record.Estimates(paths...) {
		if err != nil {
			return nil, nil, err
		}
		return columns, estimateRows(columns, order, rigs), nil
	}
	return nil, nil, errors.New("got no estimates, want the recording of a monitor that keeps them; replay --estimates works them out again")
}

func estimateRows(columns []tables.Column, order []string, rigs map[string][]string) iter.Seq2[tables.Row, error] {
	return func(yield func(tables.Row, error) bool) {
		values := make([]any, len(columns))
		for _, rig := range order {
			for e, err := range record.Estimates(rigs[rig]...) {
				for i, c := range columns {
					if values[i] = e.Number(c.Heading); c.Text {
						values[i] = e.Text(c.Heading)
					}
				}
				if !yield(tables.Row{Rig: rig, Time: e.Time, Values: values}, err) {
					return
				}
			}
		}
	}
}
