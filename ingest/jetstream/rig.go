package jetstream

import (
	"context"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	js "github.com/nats-io/nats.go/jetstream"
)

// OpenRig makes, on a rig's own server, the stream RigStream of what the rig sends by
// MQTT with QoS 1, for the centre to take. keep and bytes bound it: what is older or
// beyond is gone, whether the centre has it or not.
func OpenRig(ctx context.Context, nc *nats.Conn, keep time.Duration, bytes int64) error {
	j, err := js.New(nc)
	if err != nil {
		return fmt.Errorf("jetstream: %w", err)
	}
	s := &Store{nc: nc, js: j, replicas: 1}
	if err := s.ensureMQTT(ctx, Options{Replicas: 1}); err != nil {
		return err
	}
	_, err = ensure(ctx, j, js.StreamConfig{
		Name: RigStream, Replicas: 1, MaxAge: keep, MaxBytes: bytes, Discard: js.DiscardOld, Compression: js.S2Compression,
		Sources: []*js.StreamSource{{
			Name:     mqttStream,
			Consumer: &js.StreamConsumerSource{Name: mqttConsumer, DeliverSubject: "log_source.mqtt"},
			SubjectTransforms: []js.SubjectTransformConfig{
				{Source: mqttReadings, Destination: "hoist.{{wildcard(1)}}." + Readings},
			},
		}},
	})
	return err
}
