package alarms

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"unicode/utf8"
)

func TestTableHasALineForEachAlarm(t *testing.T) {
	var b bytes.Buffer
	if err := WriteTable(&b, All()); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimRight(b.String(), "\n"), "\n")
	if len(lines) != len(All())+1 {
		t.Fatalf("%d lines, want %d and a heading", len(lines), len(All()))
	}
	if want := strings.Fields("overhoist high 0 s 2 s yes no rig -"); strings.Join(strings.Fields(lines[1]), " ") != strings.Join(want, " ") {
		t.Errorf("got %q, want %q", lines[1], want)
	}
	for i, r := range All() {
		if f := strings.Fields(lines[i+1]); f[0] != r.Name || f[1] != r.Priority.String() {
			t.Errorf("line %d: %q, want %s", i+1, lines[i+1], r.Name)
		}
	}
}

func TestCardsHoldEveryTextWithinTheWidth(t *testing.T) {
	for _, width := range []int{0, 72, 100} {
		var b bytes.Buffer
		if err := WriteCards(&b, All(), width); err != nil {
			t.Fatal(err)
		}
		for _, line := range strings.Split(b.String(), "\n") {
			if n := utf8.RuneCountInString(line); n > max(width, 60) {
				t.Errorf("width %d: %d letters: %q", width, n, line)
			}
		}
		flat := strings.Join(strings.Fields(b.String()), " ")
		for _, r := range All() {
			for _, text := range []string{r.Title, r.Name, r.Meaning, r.Causes, r.Consequence, r.Response, r.TimeToAct, r.Inputs, r.Deadband, r.Grades} {
				if !strings.Contains(" "+flat, " "+text) && text != r.Name {
					t.Errorf("width %d: %s: %q is not printed", width, r.Name, text)
				}
			}
		}
	}
}

func TestCatalogueAsJSON(t *testing.T) {
	var b bytes.Buffer
	if err := WriteJSON(&b, All()); err != nil {
		t.Fatal(err)
	}
	var rows []map[string]any
	if err := json.Unmarshal(b.Bytes(), &rows); err != nil || len(rows) != len(All()) {
		t.Fatalf("%d rows, %v, want %d", len(rows), err, len(All()))
	}
	for i, r := range All() {
		row := rows[i]
		if row["alarm"] != r.Name || row["priority"] != r.Priority.String() || row["response"] != r.Response ||
			row["on_delay_s"] != r.OnDelay.Seconds() || row["latched"] != r.Latch || row["hidden_by"] != r.Parent {
			t.Errorf("row %d: %v, want %+v", i, row, r)
		}
	}
}

type full struct{}

var errFull = errors.New("no space")

func (full) Write([]byte) (int, error) { return 0, errFull }

func TestPrintersSayThatTheyCannotPrint(t *testing.T) {
	for name, err := range map[string]error{
		"table": WriteTable(full{}, All()), "cards": WriteCards(full{}, All(), 80), "json": WriteJSON(full{}, All()),
	} {
		if !errors.Is(err, errFull) {
			t.Errorf("%s: %v, want %v", name, err, errFull)
		}
	}
}
