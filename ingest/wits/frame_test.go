package wits

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// cut is all that a framer made of a stream.
type cut struct {
	frames []string // their lines between the delimiters, joined by "|"
	broken []string
}

func frameParts(parts ...string) *cut {
	c := &cut{}
	f := NewFramer(func(frame []byte) {
		text, begins := strings.CutPrefix(string(frame), "&&\r\n")
		text, ends := strings.CutSuffix(text, "!!\r\n")
		if !begins || !ends {
			panic(fmt.Sprintf("frame %q without its delimiters", frame))
		}
		c.frames = append(c.frames, strings.ReplaceAll(strings.TrimSuffix(text, "\r\n"), "\r\n", "|"))
	}, func(why string, head []byte) { c.broken = append(c.broken, why) })
	for _, p := range parts {
		f.Write([]byte(p))
		if len(f.line) > MaxLine || len(f.frame) > MaxFrame {
			panic("the framer grew")
		}
	}
	f.Close()
	return c
}

func TestFraming(t *testing.T) {
	const one = "&&\r\n01081234.5\r\n011485.2\r\n!!\r\n"
	long := strings.Repeat("A", 70_000)
	for _, c := range []struct {
		name   string
		parts  []string
		frames []string
		broken []string
	}{
		{"split within items and delimiters", []string{"&&\r\n0108", "1234.5\r\n0114", "85.2\r\n!", "!\r\n"}, []string{"01081234.5|011485.2"}, nil},
		{"two whole frames in one write", []string{one + one}, []string{"01081234.5|011485.2", "01081234.5|011485.2"}, nil},
		{"one byte a write", strings.Split(one, ""), []string{"01081234.5|011485.2"}, nil},
		{"first end missing", []string{"&&\r\n01081000\r\n&&\r\n01081001\r\n!!\r\n"}, []string{"01081001"}, []string{"no end before the next beginning"}},
		{"LF", []string{"&&\n01081234.5\n011485.2\n!!\n"}, []string{"01081234.5|011485.2"}, nil},
		{"CR", []string{"&&\r01081234.5\r011485.2\r!!\r"}, []string{"01081234.5|011485.2"}, nil},
		{"LF CR", []string{"&&\n\r01081234.5\n\r!!\n\r"}, []string{"01081234.5"}, nil},
		{"CRLF parted", []string{"&&\r", "\n01081234.5\r", "\n!!\r", "\n"}, []string{"01081234.5"}, nil},
		{"blanks after the lines", []string{"&& \r\n01081234.5  \t\r\n!!   \r\n"}, []string{"01081234.5"}, nil},
		{"NUL and 0xFF in front", []string{"\x00\xff\x00&&\r\n\xff01081234.5\r\n\x00\x00!!\r\n"}, []string{"01081234.5"}, nil},
		{"NUL and 0xFF in front, split", []string{"\x00", "\xff", "&", "&\r\n\xff", "01081234.5\r\n!!\r\n"}, []string{"01081234.5"}, nil},
		{"NUL behind", []string{"&&\x00\r\n01081234.5\x00\x00\r\n!!\x00\r\n"}, []string{"01081234.5"}, nil},
		{"delimiters inside text", []string{"&&\r\n0101WELL!!A&&B\r\n0114!!\r\n!!\r\n"}, []string{"0101WELL!!A&&B|0114!!"}, nil},
		{"delimiters with text beside them", []string{"&&\r\n!!0114\r\n&&0108\r\n !!\r\n011485.2\r\n!!\r\n"}, []string{"!!0114|&&0108| !!|011485.2"}, nil},
		{"an item without a value", []string{"&&\r\n0114\r\n!!\r\n"}, []string{"0114"}, nil},
		{"an item twice", []string{"&&\r\n011485.2\r\n011486\r\n!!\r\n"}, []string{"011485.2|011486"}, nil},
		{"empty lines", []string{"\r\n\r\n&&\r\n\r\n011485.2\r\n\r\n!!\r\n\r\n"}, []string{"011485.2"}, nil},
		{"an empty frame", []string{"&&\r\n!!\r\n"}, []string{""}, nil},
		{"cut in a frame", []string{"&&\r\n01081000\r\n0114"}, nil, []string{"the stream ended inside a frame"}},
		{"the second half of a frame", []string{"85.2\r\n0108", "1000\r\n!!\r\n" + one}, []string{"01081234.5|011485.2"}, []string{"text outside of a frame"}},
		{"two second halves", []string{"85.2\r\n!!\r\n85.3\r\n!!\r\n" + one}, []string{"01081234.5|011485.2"}, []string{"text outside of a frame", "text outside of a frame"}},
		{"an end alone", []string{one + "!!\r\n" + one}, []string{"01081234.5|011485.2", "01081234.5|011485.2"}, []string{"an end without a beginning"}},
		{"text between frames", []string{one + "HELLO\r\nWORLD\r\n" + one}, []string{"01081234.5|011485.2", "01081234.5|011485.2"}, []string{"text outside of a frame"}},
		{"70 kB without a line end, then a frame", []string{long[:40_000], long[40_000:], "\r\n" + one}, []string{"01081234.5|011485.2"}, []string{"a line without an end"}},
		{"70 kB without a line end before a beginning", []string{long, one + one}, []string{"01081234.5|011485.2"}, []string{"a line without an end"}},
		{"70 kB without a line end in a frame", []string{"&&\r\n0114", long, "\r\n!!\r\n" + one}, []string{"01081234.5|011485.2"}, []string{"a line without an end"}},
		{"70 kB of NUL in front", []string{strings.Repeat("\x00", 70_000), one}, []string{"01081234.5|011485.2"}, nil},
		{"the longest line", []string{"&&\r\n" + long[:MaxLine] + "\r\n!!\r\n"}, []string{long[:MaxLine]}, nil},
		{"a frame without an end", []string{"&&\r\n", strings.Repeat("011485.2\r\n", 10_000), "!!\r\n" + one}, []string{"01081234.5|011485.2"}, []string{"a frame too long"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := frameParts(c.parts...)
			if !slices.Equal(got.frames, c.frames) {
				t.Errorf("frames\n got %.200q\nwant %.200q", got.frames, c.frames)
			}
			if !slices.Equal(got.broken, c.broken) {
				t.Errorf("broken\n got %q\nwant %q", got.broken, c.broken)
			}
		})
	}
}

// A half frame dies with its connection: each connection has a framer of its own,
// and one that was closed begins anew.
func TestHalfFramesAreNotJoinedAcrossConnections(t *testing.T) {
	c := &cut{}
	f := NewFramer(func(frame []byte) { c.frames = append(c.frames, string(frame)) },
		func(why string, _ []byte) { c.broken = append(c.broken, why) })
	f.Write([]byte("&&\r\n01081000\r\n0114"))
	f.Close()
	f.Write([]byte("85.2\r\n!!\r\n"))
	f.Close()
	if len(c.frames) != 0 {
		t.Errorf("got %q of two halves, want nothing", c.frames)
	}
	if want := []string{"the stream ended inside a frame", "text outside of a frame"}; !slices.Equal(c.broken, want) {
		t.Errorf("got %q, want %q", c.broken, want)
	}
}

// However the stream is split into reads, the same comes out of it.
func TestAnySplitGivesTheSameFrames(t *testing.T) {
	piece := rapid.SampledFrom([]string{
		"&&", "!!", "\r\n", "\n", "\r", "\r\n", "&&\r\n", "!!\r\n", "011485.2\r\n", "0108-999.25", "0101WELL!!A&&B\r\n",
		"\x00", "\xff", " ", "\t", "A", strings.Repeat("x", MaxLine-1), strings.Repeat("0114\n", MaxFrame/8),
	})
	rapid.Check(t, func(t *rapid.T) {
		stream := strings.Join(rapid.SliceOfN(piece, 0, 40).Draw(t, "stream"), "")
		whole := frameParts(stream)
		var parts []string
		for rest := stream; rest != ""; {
			n := min(rapid.IntRange(1, max(1, len(rest))).Draw(t, "read"), len(rest))
			parts = append(parts, rest[:n])
			rest = rest[n:]
		}
		got := frameParts(parts...)
		if !slices.Equal(got.frames, whole.frames) || !slices.Equal(got.broken, whole.broken) {
			t.Fatalf("split %q\n got %.300q, broken %q\nwant %.300q, broken %q", parts, got.frames, got.broken, whole.frames, whole.broken)
		}
		if bytewise := frameParts(strings.Split(stream, "")...); len(stream) < 4000 && !slices.Equal(bytewise.frames, whole.frames) {
			t.Fatalf("byte by byte: got %.300q, want %.300q", bytewise.frames, whole.frames)
		}
	})
}

// What a framer hands out is whole: delimiters at its ends alone, none within, and
// every line of it stood in the stream.
func FuzzFramer(f *testing.F) {
	f.Add([]byte("&&\r\n01081234.5\r\n011485.2\r\n!!\r\n"), uint8(3))
	f.Add([]byte("&&\r01081000\r&&\n01081001\n!!\n!!\n"), uint8(1))
	f.Add([]byte("\x00\xff&& \r\n0101WELL!!A&&B\r\n0114\r\n!!\t\r\n85.2"), uint8(7))
	f.Fuzz(func(t *testing.T, data []byte, step uint8) {
		frames, broken := 0, 0
		fr := NewFramer(func(frame []byte) {
			frames++
			lines := strings.Split(string(frame), "\r\n")
			n := len(lines)
			if len(frame) > MaxFrame || n < 3 || lines[0] != "&&" || lines[n-2] != "!!" || lines[n-1] != "" {
				t.Fatalf("frame %q", frame)
			}
			for _, line := range lines[1 : n-2] {
				if line == "&&" || line == "!!" || line == "" || strings.ContainsAny(line, "\r\n") || !strings.Contains(string(data), line) {
					t.Fatalf("line %q in the frame %q", line, frame)
				}
			}
		}, func(string, []byte) { broken++ })
		for rest := data; len(rest) > 0; {
			n := min(len(rest), int(step)+1)
			fr.Write(rest[:n])
			rest = rest[n:]
		}
		fr.Close()
		if ends := strings.Count(string(data), "!!"); frames > ends {
			t.Fatalf("%d frames of %d ends", frames, ends)
		}
		if broken > len(data) || cap(fr.frame) > 2*MaxFrame+64 || cap(fr.line) > 2*MaxLine {
			t.Fatalf("%d broken of %d bytes; %d and %d bytes held", broken, len(data), cap(fr.frame), cap(fr.line))
		}
	})
}
