package main

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"hoistward/dashboard"
	"hoistward/dashboard/replay"
)

// replayServer serves the replay page's routes of some recordings.
func replayServer(t *testing.T, files ...string) *httptest.Server {
	t.Helper()
	found, err := filesOf(files)
	if err != nil {
		t.Fatal(err)
	}
	desk := replayDesk(replay.NewLibrary("", found...), nil)
	s := httptest.NewServer(dashboard.New(dashboard.Options{Replay: desk.Handler()}).Handler())
	t.Cleanup(func() {
		s.Close()
		if err := desk.Close(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return s
}

type pageRun struct {
	ID, State, Error string
	Result           struct {
		Shift json.RawMessage
		Key   string
		Sweep json.RawMessage
	}
}

func runOnPage(t *testing.T, s *httptest.Server, request map[string]any) pageRun {
	t.Helper()
	body, err := json.Marshal(request)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := http.Post(s.URL+"/api/replay/runs", "application/json", bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	var r pageRun
	read := func() {
		defer answer.Body.Close()
		r = pageRun{}
		if err := json.NewDecoder(answer.Body).Decode(&r); err != nil || answer.StatusCode/100 != 2 {
			t.Fatalf("%s: %d %s (%v)", body, answer.StatusCode, r.Error, err)
		}
	}
	read()
	for deadline := time.Now().Add(time.Minute); r.State == "waiting" || r.State == "running"; {
		if time.Now().After(deadline) {
			t.Fatalf("%s is %s after a minute", body, r.State)
		}
		time.Sleep(10 * time.Millisecond) // poll with a deadline
		if answer, err = http.Get(s.URL + "/api/replay/runs/" + r.ID); err != nil {
			t.Fatal(err)
		}
		read()
	}
	if r.State != "done" {
		t.Fatalf("%s: %s: %s", body, r.State, r.Error)
	}
	return r
}

func called(t *testing.T, args ...string) []byte {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(args, &streams{ctx: t.Context(), out: &out, err: &errs}); code != exitGood {
		t.Fatalf("%v: exit %d: %s", args, code, &errs)
	}
	return out.Bytes()
}

func compact(t *testing.T, text []byte) string {
	t.Helper()
	var b bytes.Buffer
	if err := json.Compact(&b, text); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	return b.String()
}

// The page finds what the command line finds, to the byte: what-if, its window, and the
// sweep; and the incident report is the one of report incident.
func TestThePageFindsWhatTheCommandFinds(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	called(t, "simulate", "overhoist", "--out", dir, "--seed", "3")
	s := replayServer(t, dir)
	id := "1/R1-2026-01-01.sqlite"
	set := []string{"brakes.service.dead_time=1.3s", "reeving.lines=8"}

	page := runOnPage(t, s, map[string]any{"kind": "what-if", "recordings": []string{id}, "set": set})
	cli := compact(t, called(t, "replay", dir, "--set", set[0], "--set", set[1], "--compare", "--json"))
	if got := compact(t, page.Result.Shift); got != cli || !strings.Contains(cli, `"fate":"moves"`) {
		t.Errorf("what-if on the page:\n%s\nreplay --compare --json, want an alarm that moves:\n%s", got, cli)
	}

	from, to := time.Date(2026, 1, 1, 0, 0, 30, 0, time.UTC), time.Date(2026, 1, 1, 0, 0, 33, 500e6, time.UTC)
	page = runOnPage(t, s, map[string]any{"kind": "what-if", "recordings": []string{id}, "set": set, "from_ms": from.UnixMilli(), "to_ms": to.UnixMilli()})
	part := compact(t, called(t, "replay", dir, "--set", set[0], "--set", set[1], "--compare", "--json", "--from", from.Format(time.RFC3339Nano), "--to", to.Format(time.RFC3339Nano)))
	if got := compact(t, page.Result.Shift); got != part || part == cli {
		t.Errorf("what-if of a window on the page:\n%s\non the command line, want another than of the whole:\n%s", got, part)
	}

	sweep := "brakes.service.dead_time=0.2s:1.4s:0.4s"
	page = runOnPage(t, s, map[string]any{"kind": "sweep", "recordings": []string{id}, "set": []string{sweep}})
	var want struct {
		Key    string
		Points json.RawMessage
	}
	if err := json.Unmarshal(called(t, "replay", dir, "--set", sweep, "--json"), &want); err != nil {
		t.Fatal(err)
	}
	if got := compact(t, page.Result.Sweep); got != compact(t, want.Points) || page.Result.Key != want.Key || strings.Count(got, `"lead_s"`) != 4 {
		t.Errorf("sweep on the page:\n%s %s\non the command line:\n%s %s", page.Result.Key, got, want.Key, compact(t, want.Points))
	}

	at := time.Date(2026, 1, 1, 0, 0, 34, 0, time.UTC)
	page = runOnPage(t, s, map[string]any{"kind": "report", "recordings": []string{id}, "at_ms": at.UnixMilli(), "before_s": 20, "after_s": 10})
	answer, err := http.Get(s.URL + "/api/replay/runs/" + page.ID + "/report.html")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	var got bytes.Buffer
	if _, err := got.ReadFrom(answer.Body); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "report.html")
	called(t, "report", "incident", dir, "--rig", "R1", "--at", at.Format(time.RFC3339), "--before", "20s", "--after", "10s", "--out", file)
	wanted, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got.Bytes(), wanted) || got.Len() < 10000 {
		t.Errorf("the page's report has %d bytes, report incident's %d, want the same", got.Len(), len(wanted))
	}
}

// --show opens a page on this machine for the files and says where; told to stop, it does.
func TestReplayShow(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	called(t, "simulate", "overhoist", "--out", dir, "--seed", "3", "--truth", filepath.Join(t.TempDir(), "truth.csv"))
	ctx, stop := context.WithCancel(t.Context())
	lines := &syncBuffer{}
	done := make(chan int, 1)
	go func() {
		done <- run([]string{"replay", dir, "--show"}, &streams{ctx: ctx, out: lines, err: lines})
	}()
	var url string
	for deadline := time.Now().Add(20 * time.Second); url == ""; time.Sleep(10 * time.Millisecond) {
		if _, after, ok := strings.Cut(lines.String(), "hoistward replay: "); ok {
			url = strings.TrimSpace(after)
		} else if time.Now().After(deadline) {
			t.Fatalf("no address: %s", lines)
		}
	}
	if !strings.HasPrefix(url, "http://127.0.0.1:") || !strings.HasSuffix(url, "/replay") {
		t.Errorf("address %q, want one on this machine", url)
	}
	for path, want := range map[string]string{url: "<title>hoistward: replay</title>", strings.TrimSuffix(url, "replay") + "api/replay/recordings": `"rig":"R1"`} {
		answer, err := http.Get(path)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		_, err = b.ReadFrom(answer.Body)
		answer.Body.Close()
		if err != nil || !strings.Contains(b.String(), want) {
			t.Errorf("%s: %d, want %q in it", path, answer.StatusCode, want)
		}
	}
	stop()
	if code := <-done; code != exitGood {
		t.Errorf("exit %d after it was told to stop: %s", code, lines)
	}
}
