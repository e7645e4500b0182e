package main

import (
	"fmt"

	"hoistward/alarms"
	"hoistward/configs"
)

type checkCmd struct {
	Files  []string `arg:"" optional:"" name:"file" help:"Rig and site files."`
	Alarms bool     `help:"Print the alarm catalogue: cause, consequence, response, time to act."`
	JSON   bool     `name:"json" help:"As JSON."`
}

// cardWidth is the width of the printed alarm cards, in letters.
const cardWidth = 100

func (c *checkCmd) Run(s *streams) error {
	switch {
	case c.Alarms && c.JSON:
		return alarms.WriteJSON(s.out, alarms.All())
	case c.Alarms:
		if err := alarms.WriteTable(s.out, alarms.All()); err != nil {
			return err
		}
		fmt.Fprintln(s.out)
		return alarms.WriteCards(s.out, alarms.All(), cardWidth)
	case len(c.Files) == 0:
		return usagef("check: got no file, want rig or site files, or --alarms")
	}
	report := configs.Inspect(c.Files...)
	if c.JSON {
		if err := writeJSON(s.out, report); err != nil {
			return err
		}
	} else {
		for _, p := range report.Problems {
			fmt.Fprintln(s.out, p)
		}
		for _, n := range report.Notes {
			fmt.Fprintln(s.out, n)
		}
	}
	if n := len(report.Problems); n > 0 {
		return usagef("%d %s", n, plural(n, "mistake", "mistakes"))
	}
	if !c.JSON {
		fmt.Fprintln(s.out, "no mistakes")
	}
	return nil
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}
