package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"runtime/pprof"
	"strings"
	"syscall"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// asProgram makes the test binary behave as hoistward: tests that need a process of
// its own (signals, a kill) start it so.
const asProgram = "HOISTWARD_TEST_AS_PROGRAM"

// asVersion makes it another version of the program.
const asVersion = "HOISTWARD_TEST_AS_VERSION"

func TestMain(m *testing.M) {
	if url := os.Getenv(asCounter); url != "" {
		countForTest(url)
	}
	if v := os.Getenv(asVersion); v != "" {
		version = v
	}
	if os.Getenv(asProgram) != "" {
		answerProbe()
		profiled(main)
	}
	testscript.Main(m, map[string]func(){"hoistward": func() {
		ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
		defer stop()
		os.Exit(run(os.Args[1:], &streams{ctx: ctx, in: os.Stdin, out: os.Stdout, err: os.Stderr}))
	}})
}

// probe is a socket by which the program, as the test binary is it, tells of itself.
const probe = "HOISTWARD_TEST_PROBE"

// probed is what it tells.
type probed struct {
	Goroutines int
	Heap       uint64 // bytes, after a collection
}

func (p probed) String() string {
	return fmt.Sprintf("%d goroutines, heap %d KiB", p.Goroutines, p.Heap>>10)
}

// answerProbe tells whoever asks at the probe's socket how many goroutines and bytes
// there are.
func answerProbe() {
	path := os.Getenv(probe)
	if path == "" {
		return
	}
	_ = os.Remove(path)
	ln, err := net.Listen("unix", path)
	if err != nil {
		panic(err)
	}
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			_ = json.NewEncoder(c).Encode(probed{runtime.NumGoroutine(), m.HeapAlloc})
			c.Close()
		}
	}()
}

// profileDir makes the program that the test binary is write its profiles, of the
// processor and of the heap, into a folder when it is told to stop.
const profileDir = "HOISTWARD_TEST_PROFILE"

func profiled(program func()) {
	dir := os.Getenv(profileDir)
	if dir == "" {
		program()
		return
	}
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, syscall.SIGQUIT, os.Interrupt)
	name := func(what string) *os.File {
		f, err := os.Create(filepath.Join(dir, fmt.Sprintf("%s-%d.pprof", what, os.Getpid())))
		if err != nil {
			panic(err)
		}
		return f
	}
	if err := pprof.StartCPUProfile(name("cpu")); err != nil {
		panic(err)
	}
	go func() {
		<-stop
		pprof.StopCPUProfile()
		_ = pprof.Lookup("allocs").WriteTo(name("heap"), 0)
		os.Exit(0)
	}()
	program()
}

func TestCommands(t *testing.T) {
	field, err := filepath.Abs(filepath.Join("..", "..", "testdata", "field"))
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:   "testdata/script",
		Setup: func(e *testscript.Env) error { e.Setenv("FIELD", field); return nil },
		Cmds:  map[string]func(*testscript.TestScript, bool, []string){"contains": contains},
	})
}

// contains fails unless the second file's lines, a heading apart, stand in the first
// one without a gap, and are some but not all of it.
func contains(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: contains whole part")
	}
	whole, part := ts.ReadFile(args[0]), ts.ReadFile(args[1])
	if heading, rest, ok := strings.Cut(part, "\n"); ok && strings.HasPrefix(whole, heading+"\n") {
		part = rest
	}
	if part == "" || len(part) >= len(whole) || !strings.Contains(whole, part) {
		ts.Fatalf("%s (%d bytes) is not a part of %s (%d bytes)", args[1], len(part), args[0], len(whole))
	}
}

// needTool skips the test where a program is missing, or fails it where CI says
// that all tools are there.
func needTool(t testing.TB, names ...string) string {
	t.Helper()
	for _, name := range names {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	if os.Getenv("HOISTWARD_TOOLS") == "required" {
		t.Fatalf("%v: not found, and HOISTWARD_TOOLS=required", names)
	}
	t.Skipf("%v: not found", names)
	return ""
}
