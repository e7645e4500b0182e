// Command hoistward watches drilling hoists. Each command is one file here: flags
// and files to parts, signals to a context, results to exit codes.
//
// It may not hold logic: what decides, computes or keeps belongs upstream.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"
	"golang.org/x/term"

	"hoistward/dashboard"
)

// version is the program's; a release build sets it.
var version = "0.1.0-dev"

// Exit codes.
const (
	exitGood   = 0
	exitFailed = 1
	exitUsage  = 2 // wrong usage or configuration
)

// streams is where a command reads, writes and stops.
type streams struct {
	ctx      context.Context
	in       io.Reader
	out, err io.Writer
	terminal bool // out is a person's terminal
	errTerm  bool // err is
}

// usageError is a mistake in how the program was called or configured.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

func usagef(format string, a ...any) error { return usageError{fmt.Errorf(format, a...)} }

// cli is the program's commands.
type cli struct {
	Demo     demoCmd     `cmd:"" help:"Everything on this machine: broker, simulated rigs, monitor, recorder, page."`
	Monitor  monitorCmd  `cmd:"" help:"Watch real rigs, as a site file says."`
	Listen   listenCmd   `cmd:"" help:"What the sources of a site file send, decoded, with what is not used and why."`
	Replay   replayCmd   `cmd:"" help:"Recorded data through the same detectors, as fast as it goes."`
	Simulate simulateCmd `cmd:"" help:"A simulated rig to a broker or to a recording."`
	Report   reportCmd   `cmd:"" help:"Report of an incident or a tour: one HTML file that prints well."`
	Trial    trialCmd    `cmd:"" help:"The monitor judged on drawn rigs, manoeuvres and faults."`

	Calc      calcCmd      `cmd:"" help:"One worked answer with its steps, for a hand check."`
	Calibrate calibrateCmd `cmd:"" help:"The drum-wrap map from known heights."`
	Check     checkCmd     `cmd:"" help:"Every mistake in rig and site files, at once."`
	Import    importCmd    `cmd:"" help:"Field CSV, WITS or line protocol to a recording."`
	Export    exportCmd    `cmd:"" help:"Recording to CSV, Parquet or line protocol, or a plain copy."`
	Bench     benchCmd     `cmd:"" help:"How fast this machine is at it: the monitor beside a bare subscriber, delays, memory, start."`
	Doctor    doctorCmd    `cmd:"" help:"What a monitor of a site file needs, looked at: files, disk, clock, brokers, certificates, ports."`
	Hold      holdCmd      `cmd:"" help:"Times whose recordings are never deleted: list, add, release."`
	Leaf      leafCmd      `cmd:"" help:"On a rig's own server, what keeps its readings for a centre."`
	Server    serverCmd    `cmd:"" hidden:"" help:"One of a group's servers, by its configuration file."`
	User      userCmd      `cmd:"" help:"Who may see and do what on the page: add, list, remove, password, role, rigs."`
	Version   versionCmd   `cmd:"" help:"The version, and what the program is made of."`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	go func() {
		<-ctx.Done()
		stop() // a second signal ends the program at once
	}()
	os.Exit(run(os.Args[1:], &streams{
		ctx: ctx, in: os.Stdin, out: os.Stdout, err: os.Stderr,
		terminal: term.IsTerminal(int(os.Stdout.Fd())), errTerm: term.IsTerminal(int(os.Stderr.Fd())),
	}))
}

// stopParsing carries kong's wish to exit (help, say) out of its parser.
type stopParsing struct{ code int }

// run is the program: arguments to an exit code.
func run(args []string, s *streams) (code int) {
	defer func() {
		if r := recover(); r != nil {
			p, ok := r.(stopParsing)
			if !ok {
				panic(r)
			}
			code = p.code
		}
	}()
	var c cli
	parser, err := kong.New(&c, kong.Name("hoistward"),
		kong.Description("A real-time monitor of drilling hoists with overhoist and brake-fade alarms.\n\n"+dashboard.Caution),
		kong.Writers(s.out, s.err), kong.Exit(func(code int) { panic(stopParsing{code}) }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 100}), kong.UsageOnError(), kong.Bind(s))
	if err != nil {
		fmt.Fprintln(s.err, "hoistward:", err)
		return exitFailed
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	chosen, err := parser.Parse(joinNegatives(args))
	if err != nil {
		fmt.Fprintf(s.err, "hoistward: %v\nTry: hoistward --help\n", err)
		return exitUsage
	}
	return exitCode(s, chosen.Run())
}

// joinNegatives writes "--null -999.25" as "--null=-999.25": the parser would take
// a number that begins with a minus for a flag.
func joinNegatives(args []string) []string {
	var out []string
	for i := 0; i < len(args); i++ {
		a := args[i]
		if i+1 < len(args) && strings.HasPrefix(a, "--") && !strings.Contains(a, "=") && negative(args[i+1]) {
			i++
			a += "=" + args[i]
		}
		out = append(out, a)
	}
	return out
}

func negative(s string) bool {
	return len(s) > 1 && s[0] == '-' && (s[1] >= '0' && s[1] <= '9' || s[1] == '.')
}

func exitCode(s *streams, err error) int {
	var usage usageError
	switch {
	case err == nil:
		return exitGood
	case errors.As(err, &usage):
		fmt.Fprintln(s.err, "hoistward:", err)
		return exitUsage
	case errors.Is(err, errQuiet):
		return exitFailed
	}
	fmt.Fprintln(s.err, "hoistward:", err)
	return exitFailed
}

// errQuiet is a failure whose words are already written.
var errQuiet = errors.New("failed")
