package sparkplug

import "strings"

// Namespace is the first level of every topic of Sparkplug B (specification 4.1).
const Namespace = "spBv1.0"

// verb is what a message is for: the third level of its topic.
type verb uint8

const (
	otherVerb verb = iota // commands and states, ours among them
	nodeBirth
	nodeData
	nodeDeath
	deviceBirth
	deviceData
	deviceDeath
)

func verbOf(s string) verb {
	switch s {
	case "NBIRTH":
		return nodeBirth
	case "NDATA":
		return nodeData
	case "NDEATH":
		return nodeDeath
	case "DBIRTH":
		return deviceBirth
	case "DDATA":
		return deviceData
	case "DDEATH":
		return deviceDeath
	}
	return otherVerb
}

func (v verb) ofDevice() bool { return v >= deviceBirth }

// place is where a message comes from.
type place struct {
	group, node, device string
	verb                verb
}

// parseTopic reads spBv1.0/group/verb/node or spBv1.0/group/verb/node/device.
func parseTopic(topic string) (place, bool) {
	var p place
	rest, ok := strings.CutPrefix(topic, Namespace+"/")
	if !ok {
		return p, false
	}
	word := ""
	p.group, rest, ok = strings.Cut(rest, "/")
	if !ok {
		return p, false
	}
	if word, rest, ok = strings.Cut(rest, "/"); !ok {
		return p, false
	}
	p.verb = verbOf(word)
	p.node, p.device, ok = strings.Cut(rest, "/")
	if p.group == "" || p.node == "" || strings.Contains(p.device, "/") {
		return p, false
	}
	return p, p.verb == otherVerb || p.verb.ofDevice() == (ok && p.device != "")
}
