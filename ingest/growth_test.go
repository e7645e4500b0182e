package ingest_test

import (
	"bytes"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"hoistward/ingest"
	"hoistward/ingest/payload"
	"hoistward/ingest/payload/lines"
	"hoistward/ingest/sparkplug"
	"hoistward/ingest/wits"
)

type decoder interface {
	Decode(m *ingest.Message, out ingest.Sink)
}

// What a decoder holds is bounded by its limits, not by how much it has read: everything
// that fuzzing has kept, once and then many times over with its bytes changed, leaves
// nothing behind.
func TestNoDecoderGrowsWithWhatItReads(t *testing.T) {
	m := ingest.OwnForm()
	one := func(d decoder, err error) decoder {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	number := m
	for c := range number.Channels {
		number.Channels[c].Mapped = ingest.Channel(c) == ingest.HookLoad
	}
	item := m
	for c := range item.Channels {
		item.Channels[c].Mapped = ingest.Channel(c) == ingest.HookLoad
	}
	item.Channels[ingest.HookLoad].Field = "0114"
	for name, c := range map[string]struct {
		d     decoder
		seeds string
		topic string
	}{
		"JSON":           {one(payload.NewJSON(&m)), "payload/testdata/fuzz/FuzzDecode", "hoist/A7/readings"},
		"a plain number": {one(payload.NewNumber(&number)), "payload/testdata/fuzz/FuzzNumber", "hoist/A7/readings"},
		"line protocol":  {one(lines.New(&m, lines.Options{})), "payload/lines/testdata/fuzz/FuzzDecode", "hoist/A7/readings"},
		"Sparkplug B": {one(sparkplug.New(sparkplug.Options{Group: "north", Node: sparkplug.RigLevel, Reorder: time.Second, Mapping: &m})),
			"sparkplug/testdata/fuzz/FuzzParse", "spBv1.0/north/NBIRTH/A7"},
		"WITS level 0": {one(wits.NewDecoder(&item, wits.Options{})), "wits/testdata/fuzz/FuzzDecode", ""},
	} {
		t.Run(name, func(t *testing.T) {
			seeds := corpus(t, filepath.FromSlash(c.seeds))
			now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
			out := ingest.SinkFuncs{OnSample: func(string, *ingest.Sample) {}, OnReject: func(string, ingest.Reject, string) {}}
			round := func(n int) {
				for i := range n {
					for k, seed := range seeds {
						text := bytes.Clone(seed)
						if len(text) > 0 && i > 0 {
							text[(i*31+k)%len(text)] ^= byte(1 << (i % 8))
						}
						now = now.Add(time.Millisecond)
						c.d.Decode(&ingest.Message{Rig: "A7", Topic: c.topic, Payload: text, Received: now}, out)
					}
				}
			}
			round(100)
			first := live()
			round(500)
			// Room for tables that the first round had not filled; a byte kept of each
			// message would be more.
			const room = 256 << 10
			if grown := live() - first; grown > room {
				t.Errorf("%d bytes more are held after five times as many messages, %d in all; want %d at most", grown, 500*len(seeds), room)
			}
			runtime.KeepAlive(c.d)
		})
	}
}

// live returns the bytes that are held after collection.
func live() int64 {
	var s runtime.MemStats
	runtime.GC()
	runtime.GC()
	runtime.ReadMemStats(&s)
	return int64(s.HeapAlloc)
}

// corpus reads what fuzzing has kept in dir: go test's form, "go test fuzz v1" and one
// argument a line.
func corpus(t *testing.T, dir string) (all [][]byte) {
	t.Helper()
	files, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		text, err := os.ReadFile(filepath.Join(dir, f.Name()))
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(text)) {
			quoted, ok := strings.CutPrefix(strings.TrimSpace(line), "[]byte(")
			if !ok {
				quoted, ok = strings.CutPrefix(strings.TrimSpace(line), "string(")
			}
			if !ok {
				continue
			}
			s, err := strconv.Unquote(strings.TrimSuffix(quoted, ")"))
			if err != nil {
				t.Fatalf("%s: %v", f.Name(), err)
			}
			all = append(all, []byte(s))
		}
	}
	if len(all) == 0 {
		t.Fatalf("%s: nothing kept", dir)
	}
	return all
}
