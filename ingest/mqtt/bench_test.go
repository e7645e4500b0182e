package mqtt

import (
	"context"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"hoistward/ingest"
	"hoistward/ingest/payload"
)

// One reading through broker, queue, decoder and assembler, flat out: readings a
// second, and those lost on the way.
func BenchmarkReadings(b *testing.B) {
	for _, qos := range []byte{0, 1} {
		for name, start := range map[string]func(testing.TB) *aBroker{
			"embedded": embedded,
			"mosquitto": func(t testing.TB) *aBroker {
				return mosquitto(t, "max_inflight_messages 1000", "max_queued_messages 0")
			},
		} {
			b.Run(fmt.Sprintf("%s/QoS%d", name, qos), func(b *testing.B) { readings(b, start(b), qos) })
		}
	}
}

func readings(b *testing.B, at *aBroker, qos byte) {
	w := open(b, at.url(), func(o *Options) { o.QoS, o.QueueLen = qos, 1<<20 })
	w.reaches(b, Subscribed)
	m := ingest.OwnForm()
	d, err := payload.NewJSON(&m)
	if err != nil {
		b.Fatal(err)
	}
	var frames atomic.Int64
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	go func() {
		var a ingest.Assembler
		for {
			msg, err := w.Next(ctx)
			if err != nil {
				return
			}
			d.Decode(&ingest.Message{Payload: msg.Payload, Received: msg.Received}, ingest.SinkFuncs{
				OnSample: func(_ string, s *ingest.Sample) {
					if f, _ := a.Add(s, msg.Received); f != nil {
						frames.Add(1)
					}
				},
				OnReject: func(string, ingest.Reject, string) {},
			})
		}
	}()
	c := paho.NewClient(paho.NewClientOptions().AddBroker(at.url()).SetClientID("bench"))
	c.Connect().Wait()
	defer c.Disconnect(50)
	base, n := time.Now(), 0
	var last paho.Token
	b.ResetTimer()
	for b.Loop() {
		n++
		// A microsecond apart, so that each is a frame of its own.
		last = c.Publish(topicA, qos, false, reading(base.Add(time.Duration(n)*time.Microsecond), float64(n)))
		if n%1000 == 0 {
			last.WaitTimeout(10 * time.Second)
		}
	}
	last.WaitTimeout(10 * time.Second)
	deadline := time.Now().Add(5 * time.Second)
	for frames.Load() < int64(n) && time.Now().Before(deadline) {
		time.Sleep(time.Millisecond)
	}
	b.StopTimer()
	b.ReportMetric(float64(frames.Load())/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(float64(int64(n)-frames.Load()), "lost")
}
