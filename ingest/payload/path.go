package payload

import (
	"strconv"

	"hoistward/ingest"
)

// node is a place in a message at which something is read, or on the way to it.
type node struct {
	keys   map[string]*node
	places map[int]*node
	leaf   leaf
}

// leaf is what is read at a place.
type leaf struct {
	is      bool
	time    bool
	rig     bool
	channel ingest.Channel
}

// put adds what is read at the end of path; false where something is read there, on
// the way, or further in. A number in a pointer is both a key and a place.
func (n *node) put(path []ingest.FieldStep, l leaf) bool {
	if n.leaf.is {
		return false
	}
	if len(path) == 0 {
		if n.keys != nil || n.places != nil {
			return false
		}
		l.is = true
		n.leaf = l
		return true
	}
	ok := true
	s := path[0]
	if s.Name {
		if n.keys == nil {
			n.keys = map[string]*node{}
		}
		if n.keys[s.Key] == nil {
			n.keys[s.Key] = &node{}
		}
		ok = n.keys[s.Key].put(path[1:], l)
	}
	if s.Place {
		i, _ := strconv.Atoi(s.Key)
		if n.places == nil {
			n.places = map[int]*node{}
		}
		if n.places[i] == nil {
			n.places[i] = &node{}
		}
		ok = n.places[i].put(path[1:], l) && ok
	}
	return ok
}
