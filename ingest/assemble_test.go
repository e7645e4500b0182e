package ingest

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

var start = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

func after(ms int) time.Time { return start.Add(time.Duration(ms) * time.Millisecond) }

// sample names the given channels at ms, each with the number v.
func sample(ms int, v float64, channels ...Channel) *Sample {
	s := &Sample{Time: after(ms)}
	for _, c := range channels {
		s.Set(c, Number(v))
	}
	return s
}

type feed struct {
	t *testing.T
	a Assembler
}

// frame adds s and wants a new frame.
func (f *feed) frame(s *Sample, received int) *Frame {
	f.t.Helper()
	fr, r := f.a.Add(s, after(received))
	if fr == nil || r != Used {
		f.t.Fatalf("sample of %v: got frame %v, %v, want a new frame", s.Time, fr, r)
	}
	return fr
}

// none adds s and wants no frame, and reject r.
func (f *feed) none(s *Sample, received int, want Reject) {
	f.t.Helper()
	if fr, r := f.a.Add(s, after(received)); fr != nil || r != want {
		f.t.Fatalf("sample of %v: got frame %v, %q, want none, %q", s.Time, fr != nil, r, want)
	}
}

func (f *feed) reading(c Channel, v float64, at int, fresh bool) {
	f.t.Helper()
	r := f.a.Last().Values[c]
	if r.Value.V != v || !r.At.Equal(after(at)) || r.Fresh != fresh {
		f.t.Errorf("%s: got %v of %v, fresh %v, want %v of %v, fresh %v", c, r.Value, r.At, r.Fresh, v, after(at), fresh)
	}
}

func TestFrameCarriesEachChannelWithItsOwnTime(t *testing.T) {
	f := feed{t: t}
	if f.a.Last() != nil {
		t.Error("a frame before the first sample")
	}
	f.frame(sample(0, 1, HookLoad, BlockHeight), 5)
	f.reading(HookLoad, 1, 0, true)
	if v := f.a.Last().Values[DrumSpeed]; v.Fresh || !v.At.IsZero() || v.Value.Quality != Bad {
		t.Errorf("a channel that never came is %+v", v)
	}
	fr := f.frame(sample(100, 2, HookLoad), 105)
	if !fr.Time.Equal(after(100)) || !fr.Received.Equal(after(105)) || fr.ClockStepped {
		t.Errorf("got %v received %v stepped %v", fr.Time, fr.Received, fr.ClockStepped)
	}
	f.reading(HookLoad, 2, 100, true)
	f.reading(BlockHeight, 1, 0, false)
}

func TestChannelsSentOneByOneWithOneStampShareAFrame(t *testing.T) {
	f := feed{t: t}
	f.frame(sample(0, 1, HookLoad), 1)
	f.none(sample(0, 2, BlockHeight), 2, Used)
	f.reading(BlockHeight, 2, 0, true)
	f.frame(sample(100, 3, HookLoad), 101)
	f.reading(BlockHeight, 2, 0, true) // arrived since the previous frame
	f.frame(sample(200, 3, HookLoad), 201)
	f.reading(BlockHeight, 2, 0, false)
}

func TestRepeatedTimeKeepsTheFirst(t *testing.T) {
	f := feed{t: t}
	f.frame(sample(0, 1, HookLoad), 1)
	f.none(sample(0, 1, HookLoad), 2, RejectRepeatedTime)
	f.none(sample(0, 9, HookLoad), 3, RejectRepeatedTime)
	f.reading(HookLoad, 1, 0, true)
	f.none(sample(0, 9, HookLoad, BlockHeight), 4, RejectRepeatedTime) // the new part is used
	f.reading(HookLoad, 1, 0, true)
	f.reading(BlockHeight, 9, 0, true)
	f.none(sample(0, 8, BlockHeight), 5, RejectRepeatedTime)
	f.reading(BlockHeight, 9, 0, true)
}

func TestSwappedSamplesAreRefused(t *testing.T) {
	f := feed{t: t}
	f.frame(sample(0, 1, HookLoad), 1)
	f.frame(sample(200, 3, HookLoad), 201)
	f.none(sample(100, 2, HookLoad), 202, RejectBackwardTime)
	f.frame(sample(300, 4, HookLoad), 301)
	f.reading(HookLoad, 4, 300, true)
}

func TestSensorsOutOfStepBothCount(t *testing.T) {
	f := feed{t: t}
	f.frame(sample(100, 1, HookLoad), 100)
	f.none(sample(95, 2, BlockHeight), 101, Used)
	f.reading(BlockHeight, 2, 95, true)
	f.none(sample(95, 7, BlockHeight), 102, RejectBackwardTime)
	f.none(sample(97, 7, BlockHeight, HookLoad), 103, RejectBackwardTime)
	f.reading(BlockHeight, 7, 97, true)
	f.reading(HookLoad, 1, 100, true)
	f.none(sample(100-1001, 3, DrumSpeed), 104, RejectBackwardTime) // older than MergeSpan
}

func TestClockSetBackIsAcceptedAtTheFifth(t *testing.T) {
	f := feed{t: t}
	f.frame(sample(60_000, 1, HookLoad, BlockHeight), 60_000)
	for i := range 4 {
		f.none(sample(30_000+100*i, 2, HookLoad), 60_100+100*i, RejectBackwardTime)
	}
	fr := f.frame(sample(30_400, 2, HookLoad), 60_500)
	if !fr.ClockStepped {
		t.Error("the frame does not say that the clock was set back")
	}
	f.reading(HookLoad, 2, 30_400, true)
	f.reading(BlockHeight, 1, 30_400-500, false) // its age by receipt, on the new clock
	if fr := f.frame(sample(30_500, 3, HookLoad), 60_600); fr.ClockStepped {
		t.Error("the next frame says so again")
	}
}

func TestBackwardSamplesThatDoNotRiseAreNoStep(t *testing.T) {
	f := feed{t: t}
	f.frame(sample(60_000, 1, HookLoad), 60_000)
	for i := range 20 { // falling
		f.none(sample(30_000-100*i, 2, HookLoad), 60_100+100*i, RejectBackwardTime)
	}
	for i := range 20 { // standing
		f.none(sample(20_000, 2, HookLoad), 63_000+100*i, RejectBackwardTime)
	}
	for i := range 20 { // each second one rises
		f.none(sample([]int{10_000, 31_000 + 100*i}[i%2], 2, HookLoad), 66_000+1000*i, RejectBackwardTime)
	}
}

func TestBackwardSamplesBetweenGoodOnesAreNoStep(t *testing.T) {
	f := feed{t: t}
	f.frame(sample(60_000, 1, HookLoad), 60_000)
	for i := range 20 {
		f.none(sample(30_000+100*i, 2, HookLoad), 60_000+100*i, RejectBackwardTime)
		f.frame(sample(60_001+100*i, 2, HookLoad), 60_001+100*i)
	}
}

func TestBacklogSentAgainIsNoStep(t *testing.T) {
	f := feed{t: t}
	for i := range 50 {
		f.frame(sample(100*i, 1, HookLoad), 100*i)
	}
	for i := range 50 { // all of it once more, within 50 ms
		f.none(sample(100*i, 1, HookLoad), 5_000+i, [...]Reject{RejectBackwardTime, RejectRepeatedTime}[i/49])
	}
	f.frame(sample(5_000, 2, HookLoad), 5_051)
}

func TestSampleWithoutChannels(t *testing.T) {
	f := feed{t: t}
	f.none(&Sample{Time: start}, 0, RejectNoChannel)
}

func TestAssemblerDoesNotAllocate(t *testing.T) {
	var a Assembler
	s, ms := sample(0, 1, HookLoad, BlockHeight), 0
	if n := testing.AllocsPerRun(100, func() {
		ms++
		s.Time = after(ms)
		a.Add(s, s.Time)
	}); n != 0 {
		t.Errorf("%v allocations a frame, want none", n)
	}
}

// Whatever comes, frames rise unless they say that the clock stepped, no reading
// is younger than its frame, and a refused sample leaves its channels as they were.
func TestAnyFeed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var a Assembler
		received := 0
		var last time.Time
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			received += rapid.IntRange(0, 200).Draw(t, "wait")
			s := sample(rapid.OneOf(rapid.IntRange(-3000, 3000), rapid.IntRange(-20, 20)).Draw(t, "stamp")+received, float64(received))
			for c := range NumChannels {
				if rapid.IntRange(0, 3).Draw(t, "named") == 0 {
					s.Set(c, Number(float64(received)))
				}
			}
			var before Frame
			if l := a.Last(); l != nil {
				before = *l
			}
			fr, r := a.Add(s, after(received))
			if fr != nil {
				if !fr.ClockStepped && !fr.Time.After(last) {
					t.Fatalf("frame at %v after one at %v", fr.Time, last)
				}
				last = fr.Time
				for c := range NumChannels {
					if s.Named(c) && (!fr.Values[c].Fresh || !fr.Values[c].At.Equal(s.Time)) {
						t.Fatalf("%s of the sample is not in its frame", c)
					}
				}
			}
			if fr == nil && r == RejectBackwardTime && s.Time.Before(before.Time.Add(-MergeSpan)) && before != *a.Last() {
				t.Fatalf("a refused sample changed the frame")
			}
			if l := a.Last(); l != nil {
				for c := range NumChannels {
					if l.Values[c].At.After(l.Time) {
						t.Fatalf("%s is of %v in a frame of %v", c, l.Values[c].At, l.Time)
					}
				}
			}
		}
	})
}
