package sparkplug

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
)

// Command is a message that a Host wants to have published, at QoS 0 and not
// retained (tck-id-topics-ncmd-mqtt).
type Command struct {
	Topic   string
	Payload []byte
}

const rebirthMetric = "Node Control/Rebirth"

// rebirth returns the request that an edge node sends its births again
// (tck-id-operational-behavior-data-commands-ncmd-rebirth-name and -value).
func rebirth(group, node string, now time.Time) Command {
	ms := uint64(now.UnixMilli())
	var m []byte
	m = protowire.AppendTag(m, metricName, protowire.BytesType)
	m = protowire.AppendString(m, rebirthMetric)
	m = protowire.AppendTag(m, metricTimestamp, protowire.VarintType)
	m = protowire.AppendVarint(m, ms)
	m = protowire.AppendTag(m, metricDatatype, protowire.VarintType)
	m = protowire.AppendVarint(m, uint64(Boolean))
	m = protowire.AppendTag(m, metricBool, protowire.VarintType)
	m = protowire.AppendVarint(m, 1)
	var p []byte
	p = protowire.AppendTag(p, payloadTimestamp, protowire.VarintType)
	p = protowire.AppendVarint(p, ms)
	p = protowire.AppendTag(p, payloadMetrics, protowire.BytesType)
	p = protowire.AppendBytes(p, m)
	return Command{Topic: Namespace + "/" + group + "/NCMD/" + node, Payload: p}
}

// State returns the topic and the payloads by which a host application of that id
// tells that it is there and that it is gone, both retained and at QoS 1, the
// second also left with the broker as the will of the connection that is made now
// (tck-id-host-topic-phid-birth-payload and -death-payload: one timestamp in both).
func State(hostID string, now time.Time) (topic string, online, offline []byte) {
	ms := now.UnixMilli()
	return Namespace + "/STATE/" + hostID,
		fmt.Appendf(nil, `{"online":true,"timestamp":%d}`, ms),
		fmt.Appendf(nil, `{"online":false,"timestamp":%d}`, ms)
}
