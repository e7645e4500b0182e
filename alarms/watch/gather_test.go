package watch

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"hoistward/configs"
	"hoistward/detect"
	"hoistward/ingest"
	"hoistward/ingest/payload"
)

// entries keeps what a loop records, to replay it.
type entries struct {
	kept
	all []ingest.Entry
}

func (k *entries) Add(e ingest.Entry) bool {
	k.all = append(k.all, e)
	return true
}

// topicsOfOne is a source whose four hoist channels have a topic each, with plain
// numbers.
func topicsOfOne(t *testing.T) (payload.ByTopic, []ingest.Channel) {
	channels := []ingest.Channel{ingest.HookLoad, ingest.BlockHeight, ingest.DrumSpeed, ingest.BrakePressure}
	m := ingest.OwnForm()
	own := m.Channels
	m.Channels = [ingest.NumChannels]ingest.ChannelMap{}
	var d payload.ByTopic
	for i, c := range channels {
		m.Topics = append(m.Topics, ingest.Topic{Pattern: "plant/{rig}/" + c.String(), Payload: ingest.NumberText, Clock: ingest.ReceiptClock})
		m.Channels[c] = own[c]
		m.Channels[c].Topic = i
	}
	for i := range channels {
		n, err := payload.NewNumber(m.On(i))
		if err != nil {
			t.Fatal(err)
		}
		d = append(d, n)
	}
	return d, channels
}

// runApart plays messages to a loop of one rig and returns what it recorded and the
// estimates that it made.
func runApart(t *testing.T, d Decoder, channels []string, apart bool, play func(send func(pattern int, text string))) (k *entries, estimates []string) {
	_, text, err := configs.LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		k = &entries{kept: kept{samples: map[string]int{}}}
		l, err := NewLoop(LoopOptions{
			Open: configs.OpenRig, Clock: time.Now, Tick: 250 * time.Millisecond, Sources: []Source{{"one", d}},
			Sessions: map[string]ingest.Session{"R1": {RigFile: string(text), Channels: channels, Apart: apart}},
			Recorder: k, Journal: k, Counters: &ingest.Counters{},
			Changed: func(_ *Rig, o *Outcome) {
				if o.Estimate != nil {
					estimates = append(estimates, string(detect.AppendCSV(nil, o.Estimate)))
				}
			},
			Trouble: func(err error) { t.Error(err) },
		}, []string{"R1"})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		go l.Run(ctx)
		play(func(pattern int, text string) {
			l.Offer(ctx, Message{Message: ingest.Message{Rig: "R1", Pattern: pattern, Payload: []byte(text), Received: time.Now()}})
			synctest.Wait()
		})
		cancel()
		<-l.stopped
	})
	return k, estimates
}

// Four messages within a millisecond, ten times a second, are ten frames a second;
// what stays away costs its frame some milliseconds; and the recording replays to
// the same estimates.
func TestOneTopicAChannelMakesOneFrameABurst(t *testing.T) {
	d, channels := topicsOfOne(t)
	var names []string
	for _, c := range channels {
		names = append(names, c.String())
	}
	const bursts = 100
	k, estimates := runApart(t, d, names, true, func(send func(int, string)) {
		for i := range bursts {
			for p := range channels {
				if !(p == 3 && i%10 == 5) { // the brake pressure stays away now and then
					send(p, fmt.Sprint([]float64{294e3, 20 + 0.01*float64(i), 2.5, 0}[p]))
				}
				time.Sleep(200 * time.Microsecond)
			}
			time.Sleep(100*time.Millisecond - 800*time.Microsecond)
		}
	})
	if n := len(estimates); n < bursts || n > bursts+2 { // the first two bursts are before the interval is learned
		t.Errorf("%d frames of %d bursts of four messages, want one each", n, bursts)
	}
	if last := estimates[len(estimates)-1]; !strings.Contains(last, "20.9") {
		t.Errorf("the newest estimate is %q, want a height of some 20.99 m", last)
	}
	again := NewRig("R1", configs.OpenRig)
	var replayed []string
	for i := range k.all {
		out, err := again.Apply(&k.all[i])
		if err != nil {
			t.Fatal(err)
		}
		if out.Estimate != nil {
			replayed = append(replayed, string(detect.AppendCSV(nil, out.Estimate)))
		}
	}
	if !slices.Equal(replayed, estimates) {
		t.Errorf("the replay made %d estimates that are not the live run's %d", len(replayed), len(estimates))
	}
}

// stuck decodes heights that all bear one time, as a sender does whose clock stands.
type stuck struct{ at time.Time }

func (s *stuck) Decode(m *ingest.Message, out ingest.Sink) {
	sample := ingest.Sample{Time: s.at}
	sample.Set(ingest.BlockHeight, ingest.Number(20))
	out.Sample(m.Rig, &sample)
}

// Messages that keep coming with one and the same time are no readings: the rig is
// looked at all the same, and the loss is told.
func TestAStampThatStandsStillIsToldAsLoss(t *testing.T) {
	k, _ := runApart(t, &stuck{at: time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)}, []string{"block_height"}, false, func(send func(int, string)) {
		for range 100 {
			send(0, "")
			time.Sleep(100 * time.Millisecond)
		}
	})
	journal := strings.Join(k.journal, "\n")
	if !strings.Contains(journal, `"alarm":"source_lost","event":"raised"`) && !strings.Contains(journal, `"alarm":"reading_lost","event":"raised"`) {
		t.Errorf("100 messages of one time in 10 s, and no loss in the journal:\n%s", journal)
	}
}
