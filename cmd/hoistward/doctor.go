package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"hoistward/configs"
)

type doctorCmd struct {
	Config string        `required:"" type:"path" placeholder:"SITE.YAML" help:"The site file."`
	Wait   time.Duration `default:"5s" help:"For each broker and receiver, at most."`
	JSON   bool          `name:"json" help:"As JSON."`
}

// The states of a row.
const (
	rowOK    = "ok"
	rowLook  = "look"  // a person should look at it
	rowWrong = "wrong" // the monitor will not work as it should
)

// finding is one row of what the doctor found.
type finding struct {
	What  string `json:"what"`
	State string `json:"state"`
	Found string `json:"found"`
	Do    string `json:"do,omitempty"` // empty = nothing
}

// examination gathers rows.
type examination struct {
	ctx  context.Context
	site *configs.Site
	wait time.Duration
	now  time.Time
	// running is whether a monitor answers on the site's own address.
	running bool
	rows    []finding
}

func (x *examination) ok(what, format string, a ...any) {
	x.rows = append(x.rows, finding{what, rowOK, fmt.Sprintf(format, a...), ""})
}

func (x *examination) look(what, do, format string, a ...any) {
	x.rows = append(x.rows, finding{what, rowLook, fmt.Sprintf(format, a...), do})
}

func (x *examination) wrong(what, do, format string, a ...any) {
	x.rows = append(x.rows, finding{what, rowWrong, fmt.Sprintf(format, a...), do})
}

func (c *doctorCmd) Run(s *streams) error {
	if c.Wait < 100*time.Millisecond || c.Wait > time.Minute {
		return usagef("--wait: got %v, want 100 ms to 1 min", c.Wait)
	}
	x := &examination{ctx: s.ctx, wait: c.Wait, now: time.Now()}
	usable := x.configuration(c.Config)
	if usable {
		x.folder()
		x.clock()
		x.ports()
		x.certificates()
		x.brokers()
		x.receivers()
		x.pairing()
	}
	if err := x.write(s, c.JSON); err != nil {
		return err
	}
	switch wrong := x.count(rowWrong); {
	case !usable:
		return usagef("the site file cannot be used: the rest was not looked at")
	case wrong > 0:
		fmt.Fprintf(s.err, "hoistward: %d %s wrong\n", wrong, plural(wrong, "row is", "rows are"))
		return errQuiet
	}
	return nil
}

func (x *examination) count(state string) (n int) {
	for _, r := range x.rows {
		if r.State == state {
			n++
		}
	}
	return n
}

func (x *examination) write(s *streams, asJSON bool) error {
	if asJSON {
		return writeJSON(s.out, struct {
			Version string    `json:"version"`
			At      string    `json:"at"`
			Wrong   int       `json:"wrong"`
			Look    int       `json:"look"`
			Rows    []finding `json:"rows"`
		}{version, clockText(x.now), x.count(rowWrong), x.count(rowLook), x.rows})
	}
	for _, r := range x.rows {
		if _, err := fmt.Fprintf(s.out, "%-5s  %s: %s\n", r.State, r.What, r.Found); err != nil {
			return err
		}
		if r.Do != "" {
			fmt.Fprintf(s.out, "       do: %s\n", r.Do)
		}
	}
	fmt.Fprintf(s.out, "%d rows: %d wrong, %d to look at\n", len(x.rows), x.count(rowWrong), x.count(rowLook))
	return nil
}

// configuration reads the files; false = they cannot be used.
func (x *examination) configuration(path string) bool {
	report := configs.Inspect(path)
	for _, p := range report.Problems {
		x.wrong("configuration", "mend the file; hoistward check "+path+" shows the same", "%s", p)
	}
	if len(report.Problems) > 0 {
		return false
	}
	site, err := configs.LoadSite(path)
	if err != nil {
		x.wrong("configuration", "see that the file is there and may be read", "%v", err)
		return false
	}
	x.site = site
	x.ok("configuration", "%s: site %s, %d %s, %d %s", filepath.Base(path), site.Name,
		len(site.Rigs), plural(len(site.Rigs), "rig", "rigs"), len(site.Sources), plural(len(site.Sources), "source", "sources"))
	for _, n := range report.Notes {
		x.look("configuration", "see whether that is meant", "%s", n)
	}
	for _, r := range site.Rigs {
		if !r.Rig.Reference.Set {
			x.look("rig "+r.Rig.Name, "set the block's known height on the rig's page, or in the rig file", "the drum-wrap map has no reference: heights are void until one is set")
			continue
		}
		x.ok("rig "+r.Rig.Name, "its file has no mistake")
	}
	return true
}

// pairing says which member of a pair this would be.
func (x *examination) pairing() {
	if p := x.site.Pair; p != nil {
		x.ok("pair", "member %s; rig files of digest %.12s: the other member's doctor must say the same digest and version (%s)", p.Member, x.site.RigsDigest(), version)
	}
}

// oneLine is an error's text in one line.
func oneLine(err error) string { return strings.Join(strings.Fields(err.Error()), " ") }
