package access

import (
	"fmt"
	"slices"
	"strings"
)

// Role is what a person may do; each may all that those before it may.
type Role uint8

// The roles.
const (
	Watch       Role = iota + 1 // see the pages
	Acknowledge                 // answer alarms: acknowledge, silence, reset, shelve; enter tests and line work
	Manage                      // put alarms out of service, return them, set the block's reference
)

var roleWords = []string{Watch: "watch", Acknowledge: "acknowledge", Manage: "manage"}

func (r Role) String() string {
	if r < Watch || r > Manage {
		return "none"
	}
	return roleWords[r]
}

// ParseRole reads a role's word.
func ParseRole(word string) (Role, error) {
	if i := slices.Index(roleWords, word); i >= int(Watch) {
		return Role(i), nil
	}
	return 0, fmt.Errorf("role: got %.40q, want one of %s", word, strings.Join(roleWords[Watch:], ", "))
}

// MarshalText writes the role's word.
func (r Role) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads the role's word.
func (r *Role) UnmarshalText(b []byte) (err error) { *r, err = ParseRole(string(b)); return err }

// AllRigs in a person's rigs stands for every rig, also those to come.
const AllRigs = "*"

// Rights are what one person may, at the moment that they were asked for.
type Rights struct {
	Person  string
	Role    Role
	Rigs    []string // names, or AllRigs
	Station bool     // a cabin's terminal, not a person by name
}

// Everything is the rights of whoever sits at this machine while there are no accounts.
func Everything() Rights { return Rights{Role: Manage, Rigs: []string{AllRigs}} }

// Sees tells whether the rig is one of the person's.
func (r Rights) Sees(rig string) bool {
	return r.Role >= Watch && (slices.Contains(r.Rigs, AllRigs) || slices.Contains(r.Rigs, rig))
}

// May tells whether the person has the role or one above it.
func (r Rights) May(least Role) bool { return r.Role >= least }
