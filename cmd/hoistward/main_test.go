package main

import (
	"context"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// asProgram makes the test binary behave as hoistward: tests that need a process of
// its own (signals, a kill) start it so.
const asProgram = "HOISTWARD_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
	}
	testscript.Main(m, map[string]func(){"hoistward": func() {
		ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
		defer stop()
		os.Exit(run(os.Args[1:], &streams{ctx: ctx, in: os.Stdin, out: os.Stdout, err: os.Stderr}))
	}})
}

func TestCommands(t *testing.T) {
	field, err := filepath.Abs(filepath.Join("..", "..", "testdata", "field"))
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:   "testdata/script",
		Setup: func(e *testscript.Env) error { e.Setenv("FIELD", field); return nil },
	})
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
