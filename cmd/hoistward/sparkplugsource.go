package main

import (
	"bytes"
	"context"
	"time"

	"go.uber.org/zap"

	"hoistward/configs"
	"hoistward/ingest/mqtt"
	"hoistward/ingest/sparkplug"
)

func sparkplugOptions(s *configs.Source) sparkplug.Options {
	k := s.Sparkplug
	return sparkplug.Options{
		Group: k.Group, Node: k.Node, Device: k.Device, Reorder: k.Reorder, Hold: k.Hold, Mapping: &s.Mapping,
	}
}

// sparkplugLink subscribes to the nodes of s and, where the site file gives the
// monitor an id, announces it to those that wait for their primary host.
func sparkplugLink(s *configs.Source, o *mqtt.Options, visitor bool) {
	k := sparkplugOptions(s)
	o.Filters = append(o.Filters, k.Filter())
	id := s.Sparkplug.HostID
	if id == "" || visitor {
		return
	}
	o.Presence = func(now time.Time) mqtt.Presence {
		topic, online, offline := sparkplug.State(id, now)
		return mqtt.Presence{
			Topic: topic, Here: online, Gone: offline,
			Denies: func(p []byte) bool { return bytes.Contains(p, []byte(`"online":false`)) },
		}
	}
}

// sendCommands carries what a host wants to have published to the broker. What cannot be
// sent now is not kept: the host asks again while it needs to.
func sendCommands(ctx context.Context, commands <-chan sparkplug.Command, c *mqtt.Client, log *zap.Logger) {
	for {
		select {
		case <-ctx.Done():
			return
		case k := <-commands:
			err := c.Publish(k.Topic, 0, false, k.Payload)
			log.Info("rebirth requested", zap.String("topic", k.Topic), zap.Error(err))
		}
	}
}
