package main

import (
	"fmt"
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

func recordingPaths(files []string) []string {
	out := make([]string, len(files))
	for i, f := range files {
		out[i] = recordingPath(f)
	}
	return out
}
