package ingest

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

var four = [...]Channel{HookLoad, BlockHeight, DrumSpeed, BrakePressure}

func micros(us int) time.Time { return start.Add(time.Duration(us) * time.Microsecond) }

// one is a sample of one channel at its receipt.
func one(c Channel, v float64, at time.Time) *Sample {
	s := &Sample{Time: at}
	s.Set(c, Number(v))
	return s
}

// gathering is a Gatherer with the frames that it made.
type gathering struct {
	t *testing.T
	g Gatherer
	n int
}

func (f *gathering) add(c Channel, at time.Time) *Frame {
	f.t.Helper()
	if fr := f.g.Release(at); fr != nil {
		f.n++
	}
	fr, r := f.g.Add(one(c, 1, at), at)
	if r != Used {
		f.t.Fatalf("%s at %v: %v", c, at, r)
	}
	if fr != nil {
		f.n++
	}
	return fr
}

// burst sends each channel, 0.2 ms apart, and returns the newest frame.
func (f *gathering) burst(ms int, channels ...Channel) (last *Frame) {
	f.t.Helper()
	for i, c := range channels {
		if fr := f.add(c, micros(1000*ms+200*i)); fr != nil {
			last = fr
		}
	}
	return last
}

func TestFourMessagesTogetherAreOneFrame(t *testing.T) {
	f := gathering{t: t, g: NewGatherer(true, nil)}
	for i := range 3 { // the intervals are learned from these
		f.burst(100*i, four[:]...)
		f.g.Release(after(100*i + 50))
	}
	f.n = 0
	for i := 3; i < 103; i++ {
		fr := f.burst(100*i, four[:]...)
		if fr == nil {
			t.Fatalf("burst %d made no frame at its last message", i)
		}
		for k, c := range four {
			if v := fr.Values[c]; !v.Fresh || !v.At.Equal(micros(100_000*i+200*k)) {
				t.Fatalf("%s in burst %d is of %v, fresh %v", c, i, v.At, v.Fresh)
			}
		}
	}
	if f.n != 100 {
		t.Errorf("%d frames of 100 bursts of four messages", f.n)
	}
}

func TestFrameWaitsForAMissingChannelAMoment(t *testing.T) {
	f := gathering{t: t, g: NewGatherer(true, map[string]float64{"hook_load": 0.1, "block_height": 0.1, "drum_speed": 0.1, "brake_pressure": 0.1})}
	f.burst(0, four[:]...)
	f.burst(100, four[:3]...) // the fourth stays away
	if fr := f.g.Release(after(119)); fr != nil {
		t.Error("a frame before it was due")
	}
	if due := f.g.Due(after(119)); !due.Equal(after(120)) {
		t.Errorf("due at %v, want 20 ms after the first of them", due)
	}
	fr := f.g.Release(after(120))
	if fr == nil || !fr.Values[HookLoad].Fresh || fr.Values[BrakePressure].Fresh || !fr.Received.Equal(after(120)) {
		t.Fatalf("the frame that is due: %+v", fr)
	}
	if !f.g.Due(after(121)).IsZero() {
		t.Error("a frame waits though nothing came")
	}
	// Silent for more than two and a half intervals, it is waited for no more.
	f.burst(200, four[:3]...)
	f.g.Release(after(250))
	if fr := f.burst(300, four[:3]...); fr == nil {
		t.Error("the frame still waits for a channel that is gone")
	}
	// It comes again and is waited for again.
	f.burst(400, four[:]...)
	f.g.Release(after(450))
	if fr := f.burst(500, four[:3]...); fr != nil {
		t.Error("the frame does not wait for the channel that came back")
	}
}

func TestSlowChannelJoinsAndMakesNoFrame(t *testing.T) {
	f := gathering{t: t, g: NewGatherer(true, map[string]float64{"hook_load": 0.1, "brake_temperature": 1, "brake_pressure": 1})}
	f.add(HookLoad, after(0))
	f.add(HookLoad, after(100))
	f.n = 0
	for _, c := range []Channel{BrakeTemperature, BrakePressure} {
		if fr := f.add(c, after(130)); fr != nil || !f.g.Due(after(190)).IsZero() {
			t.Errorf("%s made a frame, or one waits for it", c)
		}
	}
	fr := f.add(HookLoad, after(200))
	if fr == nil || !fr.Values[BrakeTemperature].Fresh || !fr.Values[BrakeTemperature].At.Equal(after(130)) {
		t.Fatalf("the next frame: %+v", fr)
	}
	if fr = f.add(HookLoad, after(300)); fr == nil || fr.Values[BrakeTemperature].Fresh {
		t.Fatalf("the frame after it: %+v", fr)
	}
	// The fast channel is gone: the slow ones make the frames.
	f.n = 0
	f.add(BrakePressure, after(1130))
	if f.n != 1 {
		t.Error("no frame of the slow channel when the fast one is gone")
	}
}

func TestGatheredFramesRiseAndSayThatTheClockWasSetBack(t *testing.T) {
	f := gathering{t: t, g: NewGatherer(true, nil)}
	f.add(HookLoad, after(60_000))
	if fr := f.g.Release(after(60_020)); fr == nil {
		t.Fatal("no first frame")
	}
	if fr, _ := f.g.Add(one(BlockHeight, 1, after(60_000)), after(60_030)); fr != nil {
		t.Error("a frame of the same time as the one before")
	}
	if fr := f.g.Release(after(60_090)); fr != nil {
		t.Error("a frame of the same time as the one before, when released")
	}
	var stepped bool
	for i := range 8 {
		s := one(HookLoad, 1, after(30_000+100*i))
		fr, _ := f.g.Add(s, after(60_100+100*i))
		if fr == nil {
			fr = f.g.Release(after(60_150 + 100*i))
		}
		stepped = stepped || fr != nil && fr.ClockStepped
	}
	if !stepped {
		t.Error("no frame says that the clock was set back")
	}
}

func TestGathererDoesNotAllocate(t *testing.T) {
	g := NewGatherer(true, nil)
	s, ms := sample(0, 1, HookLoad), 0
	if n := testing.AllocsPerRun(100, func() {
		ms += 7
		s.Time = after(ms)
		g.Release(s.Time)
		g.Add(s, s.Time)
	}); n != 0 {
		t.Errorf("%v allocations a sample, want none", n)
	}
}

// Whatever comes, in whatever order: frames rise, each reading is handed out as
// fresh at most once, none is younger than its frame, and none that was taken waits
// longer than gatherTime while its frame may be made.
func TestAnyGathering(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := NewGatherer(true, nil)
		us, values := 0, 0.0
		var last Frame
		handed := map[float64]bool{}
		take := func(fr *Frame) {
			if fr == nil {
				return
			}
			if !fr.ClockStepped && !fr.Time.After(last.Time) || fr.Received.Before(last.Received) {
				t.Fatalf("frame of %v, received %v, after one of %v, %v", fr.Time, fr.Received, last.Time, last.Received)
			}
			for c := range NumChannels {
				v := fr.Values[c]
				if v.At.After(fr.Time) {
					t.Fatalf("%s is of %v in a frame of %v", c, v.At, fr.Time)
				}
				if v.Fresh && handed[v.Value.V] {
					t.Fatalf("%s was fresh before", c)
				}
				handed[v.Value.V] = handed[v.Value.V] || v.Fresh
			}
			last = *fr
		}
		for range rapid.IntRange(1, 80).Draw(t, "n") {
			us += rapid.OneOf(rapid.IntRange(0, 500), rapid.IntRange(0, 120_000)).Draw(t, "wait")
			values++
			if rapid.IntRange(0, 3).Draw(t, "look") == 0 {
				take(g.Release(micros(us)))
				if due := g.Due(micros(us)); !due.IsZero() && due.Before(micros(us)) {
					t.Fatalf("due %v is past at %v", due, micros(us))
				}
				continue
			}
			stamp := us - rapid.SampledFrom([]int{0, 0, 0, 300, 50_000}).Draw(t, "behind")
			c := Channel(rapid.IntRange(0, int(NumChannels)-1).Draw(t, "channel"))
			fr, _ := g.Add(one(c, values, micros(stamp)), micros(us))
			take(fr)
		}
	})
}

// Some channels of a rig bear their source's time, another the moment of receipt. While
// the clocks are within MergeSpan of each other, whichever is ahead, every burst is one
// frame, each channel has its own time, and nothing is refused. Beyond it the readings
// that lie behind are refused, and said so.
func TestTwoClocksInOneRigAreOneFrame(t *testing.T) {
	noon := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	const bursts = 100
	run := func(ahead time.Duration) (frames, refused int, last *Frame) {
		g := NewGatherer(true, nil)
		for i := range bursts {
			now := noon.Add(time.Duration(i) * 100 * time.Millisecond)
			stamped, received := Sample{Time: now.Add(ahead)}, Sample{Time: now}
			stamped.Set(HookLoad, Number(294e3))
			stamped.Set(BlockHeight, Number(20))
			stamped.Set(BrakePressure, Number(0))
			received.Set(DrumSpeed, Number(float64(i)))
			for _, s := range []*Sample{&stamped, &received} {
				f, r := g.Add(s, now)
				if r != Used {
					refused++
				}
				if f != nil {
					frames, last = frames+1, f
				}
			}
			if f := g.Release(now.Add(gatherTime)); f != nil {
				frames, last = frames+1, f
			}
		}
		return frames, refused, last
	}
	for _, ahead := range []time.Duration{-900 * time.Millisecond, -400 * time.Millisecond, 0, 400 * time.Millisecond, 900 * time.Millisecond} {
		frames, refused, last := run(ahead)
		if refused > 0 || frames < bursts-2 || frames > bursts+2 {
			t.Errorf("ahead by %v: %d frames of %d bursts, %d refused", ahead, frames, bursts, refused)
			continue
		}
		now := noon.Add((bursts - 1) * 100 * time.Millisecond)
		if a, b := last.Values[HookLoad].At, last.Values[DrumSpeed].At; !a.Equal(now.Add(ahead)) || !b.Equal(now) {
			t.Errorf("ahead by %v: the hook load is of %v and the drum speed of %v, want each of its own clock", ahead, a, b)
		}
	}
	for _, ahead := range []time.Duration{-2 * time.Second, 2 * time.Second} {
		if _, refused, _ := run(ahead); refused == 0 {
			t.Errorf("ahead by %v: nothing was refused, want it told", ahead)
		}
	}
}
