package main

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"hoistward/ingest/record"
)

type holdCmd struct {
	Data    string `arg:"" type:"existingdir" help:"A data folder. Without further words its holds are listed."`
	From    string `placeholder:"TIME" help:"Hold what was recorded from here (RFC 3339, UTC where no offset stands) ..."`
	To      string `placeholder:"TIME" help:"... up to here."`
	Rig     string `placeholder:"RIG" help:"Of this rig; without it, of all."`
	Reason  string `placeholder:"WORDS" help:"Why, for those who find it."`
	Release int    `placeholder:"NUMBER" help:"Take the hold of this number in the list away."`
}

func (c *holdCmd) Run(s *streams) error {
	if _, err := checkForms(c.Data); err != nil {
		return err
	}
	path := filepath.Join(c.Data, holdsFile)
	holds, err := record.ReadHolds(path)
	if err != nil {
		return err
	}
	switch {
	case c.Release != 0 && (c.From != "" || c.To != ""):
		return usagef("got --release with --from or --to, want one of them")
	case c.Release < 0 || c.Release > len(holds):
		return usagef("--release: got %d, want 1 to %d", c.Release, len(holds))
	case c.Release > 0:
		holds = slices.Delete(holds, c.Release-1, c.Release)
		err = record.WriteHolds(path, holds)
	case c.From != "" || c.To != "" || c.Reason != "" || c.Rig != "":
		var h record.Hold
		if h, err = c.hold(); err != nil {
			return err
		}
		holds = append(holds, h)
		err = record.WriteHolds(path, holds)
	}
	if err != nil {
		return err
	}
	return listHolds(s, holds)
}

func (c *holdCmd) hold() (record.Hold, error) {
	w, err := parseWindow(c.From, c.To)
	switch {
	case err != nil:
		return record.Hold{}, err
	case c.From == "" || c.To == "":
		return record.Hold{}, usagef("got no --from or no --to, want both")
	case !w.from.Before(w.to):
		return record.Hold{}, usagef("got --from %s and --to %s, want a time that ends after it begins", c.From, c.To)
	case strings.TrimSpace(c.Reason) == "":
		return record.Hold{}, usagef("got no --reason, want why this is held, such as \"dropped string, 24 November\"")
	}
	return record.Hold{Rig: c.Rig, From: w.from, To: w.to, Reason: c.Reason, Placed: time.Now().UTC().Truncate(time.Second)}, nil
}

func listHolds(s *streams, holds []record.Hold) error {
	if len(holds) == 0 {
		_, err := fmt.Fprintln(s.out, "nothing is held")
		return err
	}
	for i, h := range holds {
		rig := h.Rig
		if rig == "" {
			rig = "all rigs"
		}
		if _, err := fmt.Fprintf(s.out, "%d  %s  %s to %s  %s\n", i+1, rig, h.From.Format(time.RFC3339), h.To.Format(time.RFC3339), h.Reason); err != nil {
			return err
		}
	}
	return nil
}
