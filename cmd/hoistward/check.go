package main

import (
	"encoding/json"
	"fmt"

	"hoistward/configs"
)

type checkCmd struct {
	Files  []string `arg:"" optional:"" name:"file" help:"Rig and site files."`
	Alarms bool     `help:"Print the alarm catalogue: cause, consequence, response, time to act."`
	JSON   bool     `name:"json" help:"As JSON."`
}

func (c *checkCmd) Run(s *streams) error {
	switch {
	case c.Alarms && c.JSON:
		return nil
	case c.Alarms:
		return nil
	case len(c.Files) == 0:
		return usagef("check: got no file, want rig or site files, or --alarms")
	}
	report := configs.Inspect(c.Files...)
	if c.JSON {
		e := json.NewEncoder(s.out)
		e.SetIndent("", "  ")
		if err := e.Encode(report); err != nil {
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
