package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap/zapcore"

	"hoistward/alarms"
	"hoistward/alarms/watch"
	"hoistward/detect"
)

func utcTime(t time.Time, e zapcore.PrimitiveArrayEncoder) {
	e.AppendString(clockText(t))
}

// printer shows a running monitor: on a terminal one line of state that is written
// over, and above it the events; elsewhere the events alone.
type printer struct {
	mu    sync.Mutex
	out   io.Writer
	live  string // rig shown on the live line, "" = the first that speaks
	line  bool   // out is a terminal
	shown time.Time
}

func newPrinter(s *streams, rig string) *printer {
	return &printer{out: s.out, line: s.terminal, live: rig}
}

// liveEvery is the time between two states of the live line.
const liveEvery = 200 * time.Millisecond

const eraseLine = "\r\x1b[K"

// entry is told of each entry that a rig has taken.
func (p *printer) entry(w *watch.Rig, o *watch.Outcome) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := range o.Events {
		if e := &o.Events[i]; e.Event != alarms.EventSuppressed && e.Event != alarms.EventUnsuppressed {
			p.say(eventLine(e)) // what is hidden by design is in the journal and under its parent
		}
	}
	if p.live == "" {
		p.live = w.Name()
	}
	if now := time.Now(); p.line && w.Name() == p.live && now.Sub(p.shown) >= liveEvery {
		p.shown = now
		fmt.Fprint(p.out, eraseLine+stateLine(w))
	}
}

// note prints a line that no rig made.
func (p *printer) note(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.say(text)
}

func (p *printer) say(text string) {
	if p.line {
		text = eraseLine + text
	}
	fmt.Fprintln(p.out, text)
}

func (p *printer) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.line {
		fmt.Fprintln(p.out)
	}
	p.line = false
}

func eventLine(e *alarms.Event) string {
	name := e.Alarm
	if e.Channel != "" {
		name += " " + e.Channel
	}
	who := ""
	if e.Person != "" {
		who = " by " + e.Person
	}
	return fmt.Sprintf("%s %s %-9s %s %s%s: %s", e.Time.UTC().Format("15:04:05.000Z"), e.Rig, e.Priority,
		strings.ReplaceAll(name, "_", " "), strings.ReplaceAll(e.Event.String(), "_", " "), who, e.Reason)
}

func stateLine(w *watch.Rig) string {
	e := &w.Result().Estimate
	act := "to act: " + reading(e.SecondsToAct, "%.1f s")
	switch {
	case e.CannotStop:
		act = "cannot stop"
	case math.IsInf(e.SecondsToAct, 1) || e.SecondsToAct > 10:
		act = "over 10 s to act"
	case e.Blind != 0:
		act = "blind: " + e.Blind.String()
	}
	return fmt.Sprintf("%s %s  %s  %s  %s  brake %s  %s  alarms %d", w.Name(), strings.ReplaceAll(e.Activity.String(), "_", " "),
		reading(e.Height, "%.1f m"), reading(e.Velocity, "%+.2f m/s"), reading(e.HookLoad, "%.0f kN"),
		reading(e.BrakeTemperature, "%.0f °C"), act, len(w.Standing()))
}

func reading(x detect.Number, format string) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "not known"
	}
	return fmt.Sprintf(format, x)
}

// writeJSON writes v as one indented JSON value.
func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
