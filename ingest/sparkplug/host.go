package sparkplug

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"hoistward/ingest"
)

// Limits of a Host.
const (
	maxNodes    = 4096
	outboxLen   = 256
	maxReadings = 20000 // of mapped channels in one message
)

// Host reads the messages of one source. Decode, Tick and Link are for one
// goroutine; Nodes and Outbox for any.
type Host struct {
	o        Options
	fields   map[string]ingest.Channel
	nodes    map[nodeKey]*node
	order    []*node
	outbox   chan Command
	readings []reading
	sample   ingest.Sample
	metric   metric
	field    []byte
	mu       sync.Mutex // of all that Nodes reads
}

type nodeKey struct{ group, node string }

// New returns a host, or every mistake in o.
func New(o Options) (*Host, error) {
	errs := []error{o.Check()}
	if o.Mapping == nil {
		return nil, errors.New("sparkplug: got no mapping")
	}
	m := *o.Mapping
	m.TimeField = "\x00" // a metric carries its time beside its value, under no name
	for _, err := range m.Check() {
		errs = append(errs, fmt.Errorf("mapping: %w", err))
	}
	if err := errors.Join(errs...); err != nil {
		return nil, fmt.Errorf("sparkplug: %w", err)
	}
	h := &Host{o: o, fields: map[string]ingest.Channel{}, nodes: map[nodeKey]*node{}, outbox: make(chan Command, outboxLen)}
	for c := range ingest.NumChannels {
		if o.Mapping.Channels[c].Mapped {
			h.fields[o.Mapping.Channels[c].Field] = c
		}
	}
	return h, nil
}

// Outbox returns the commands that are to be published.
func (h *Host) Outbox() <-chan Command { return h.outbox }

// Decode takes one message. Commands and the states of hosts, our own among them,
// are passed over.
func (h *Host) Decode(m *ingest.Message, out ingest.Sink) {
	p, ok := parseTopic(m.Topic)
	switch {
	case !ok || !h.o.wants(&p):
		out.Reject("", ingest.RejectBadTopic, m.Topic)
		return
	case p.verb == otherVerb:
		return
	}
	rig := h.o.rig(p.group, p.node, p.device)
	switch {
	case len(m.Payload) > MaxSize:
		out.Reject(rig, ingest.RejectTooLarge, strconv.Itoa(len(m.Payload))+" bytes")
		return
	case len(m.Payload) == 0:
		out.Reject(rig, ingest.RejectEmpty, m.Topic)
		return
	}
	pl, err := parse(m.Payload)
	if err != nil {
		out.Reject(rig, ingest.RejectBrokenPayload, fmt.Sprintf("%s: %v", m.Topic, err))
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	n := h.node(p)
	if n == nil {
		out.Reject(rig, ingest.RejectTooLarge, fmt.Sprintf("more than %d edge nodes", maxNodes))
		return
	}
	n.expire(m.Received, out)
	n.take(&arrival{place: p, payload: pl, received: m.Received}, out)
}

// Tick tells the host the time, so that what waits does not wait for a next
// message.
func (h *Host) Tick(now time.Time, out ingest.Sink) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, n := range h.order {
		n.expire(now, out)
	}
}

// Link tells the host of its way to the broker. A link that was lost ends every
// session here, for births may have gone by meanwhile
// (tck-id-host-topic-phid-required and following).
func (h *Host) Link(state string, now time.Time, out ingest.Sink) {
	if state != "lost" && state != "refused" {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, n := range h.order {
		n.end(Waiting, now, out)
		n.requests = requests{}
	}
}

func (h *Host) node(p place) *node {
	if n := h.nodes[nodeKey{p.group, p.node}]; n != nil || len(h.nodes) >= maxNodes {
		return n
	}
	n := &node{h: h, group: strings.Clone(p.group), name: strings.Clone(p.node)}
	n.own = h.entity(n, "")
	h.nodes[nodeKey{n.group, n.name}] = n
	h.order = append(h.order, n)
	return n
}

// ask puts a request for births into the outbox and tells whether there was room.
func (h *Host) ask(n *node, now time.Time) bool {
	select {
	case h.outbox <- rebirth(n.group, n.name, now):
		return true
	default:
		return false
	}
}

// NodeState is what a host knows of one edge node.
type NodeState struct {
	Group    string    `json:"group"`
	Node     string    `json:"node"`
	State    string    `json:"state"`             // "waiting for birth", "born", "dead"
	Since    time.Time `json:"since"`             // by our clock
	Suspect  bool      `json:"suspect,omitempty"` // messages were lost in this session
	Devices  []string  `json:"devices,omitempty"` // that are alive
	Requests int       `json:"rebirth_requests"`  // since the start
}

// Nodes returns the state of every edge node that was heard of, by name.
func (h *Host) Nodes() []NodeState {
	h.mu.Lock()
	defer h.mu.Unlock()
	var out []NodeState
	for _, n := range h.order {
		s := NodeState{Group: n.group, Node: n.name, State: n.state.String(), Since: n.since, Suspect: n.suspect, Requests: n.requested}
		for name, e := range n.devices {
			if e.alive {
				s.Devices = append(s.Devices, name)
			}
		}
		slices.Sort(s.Devices)
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b NodeState) int {
		return strings.Compare(a.Group+"/"+a.Node, b.Group+"/"+b.Node)
	})
	return out
}
