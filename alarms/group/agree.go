package group

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"hoistward/ingest/jetstream"
)

// ErrOther says that the group runs on other settings than this member's.
var ErrOther = errors.New("the group runs on other settings")

// agreed is what the bucket of the group keeps: what must be alike, and by which revision.
type agreed struct {
	Revision int               `json:"revision"`
	Software string            `json:"software"`
	Source   string            `json:"source"` // digest of how readings are read
	Rigs     map[string]string `json:"rigs"`   // digest of each rig's session
}

func (o *Options) agreed() agreed {
	a := agreed{Revision: o.Revision, Software: o.Settings.Software, Source: short([]byte(o.Source)), Rigs: map[string]string{}}
	for name, s := range o.Settings.Sessions {
		d := Digest(s)
		a.Rigs[name] = hex.EncodeToString(d[:8])
	}
	return a
}

func short(b []byte) string {
	d := sha256.Sum256(b)
	return hex.EncodeToString(d[:8])
}

// agree makes this member's settings the group's where there are none, or older ones. Else
// they must be the group's already.
func (m *Member) agree(ctx context.Context) error {
	for {
		text, revision, err := m.o.Store.Settings(ctx)
		if err != nil {
			return err
		}
		own := m.o.agreed()
		if text != nil {
			var theirs agreed
			if err := json.Unmarshal(text, &theirs); err != nil {
				return fmt.Errorf("settings of the group: %w", err)
			}
			if theirs.Revision >= own.Revision {
				return differ(&theirs, &own)
			}
		}
		value, err := json.Marshal(own)
		if err != nil {
			return err
		}
		if err := m.o.Store.Agree(ctx, value, revision); !errors.Is(err, jetstream.ErrLost) {
			return err
		}
	}
}

// differ says in words what is not alike.
func differ(theirs, own *agreed) error {
	var words []string
	say := func(what, got, want string) {
		if got != want {
			words = append(words, fmt.Sprintf("%s: got %s, the group has %s", what, got, want))
		}
	}
	say("software", own.Software, theirs.Software)
	say("channels and times of the source", own.Source, theirs.Source)
	for _, name := range slices.Sorted(maps.Keys(own.Rigs)) {
		if want, ok := theirs.Rigs[name]; ok {
			say("rig file of "+name, own.Rigs[name], want)
		} else {
			words = append(words, "rig "+name+": the group does not have it")
		}
	}
	for _, name := range slices.Sorted(maps.Keys(theirs.Rigs)) {
		if _, ok := own.Rigs[name]; !ok {
			words = append(words, "rig "+name+": got none, the group has it")
		}
	}
	switch {
	case len(words) == 0 && theirs.Revision == own.Revision:
		return nil
	case len(words) == 0:
		words = []string{"all else is alike"}
	}
	const shown = 5
	if more := len(words) - shown; more > 0 {
		words = append(words[:shown], fmt.Sprintf("and %d more", more))
	}
	return fmt.Errorf("%w, by revision %d (here %d): %s. Nothing is watched by this member; where its settings are the ones wanted, raise group.revision above %d",
		ErrOther, theirs.Revision, own.Revision, strings.Join(words, "; "), theirs.Revision)
}
