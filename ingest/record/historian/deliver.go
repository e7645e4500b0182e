package historian

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
)

// fieldName is a field of a measurement.
type fieldName struct{ measurement, field string }

// suspects are fields that the server has of another type. They are sent apart, so
// that one refusal does not have to be found in every batch anew.
type suspects map[fieldName]bool

// suspectMost bounds them; beyond, refusals are found by halving.
const suspectMost = 256

// delivery is one batch on its way.
type delivery struct {
	f       *Forwarder
	enc     lineprotocol.Encoder
	taken   int // points, or parts of points, confirmed
	refused []refusal
	unknown int // refusals whose words name no fault of a point, with nothing taken
}

// errAgain: a field was found to be refused always; the batch begins anew without it.
var errAgain = errors.New("again")

// unknownMost is how many points are tried singly while nothing at all is taken,
// before the refusals are held to be about something else.
const unknownMost = 32

// deliver returns nil when each point is with the server or among the refused.
func (d *delivery) deliver(ctx context.Context, points []point) error {
	left := d.refused
	for {
		d.taken, d.unknown, d.refused = 0, 0, slices.Clone(left)
		err := d.all(ctx, points)
		if !errors.Is(err, errAgain) {
			if err == nil && d.unknown > 0 && d.taken == 0 {
				err = d.refusesAll(d.refused[len(d.refused)-1].words)
			}
			return err
		}
	}
}

func (d *delivery) refusesAll(words string) error {
	return &trouble{refused: true, words: "the historian refuses every point, and not for a fault of the points: " + words}
}

func (d *delivery) all(ctx context.Context, points []point) error {
	rest, apart := d.split(points)
	if err := d.send(ctx, rest, false); err != nil {
		return err
	}
	for _, name := range slices.SortedFunc(maps.Keys(apart), fieldName.compare) {
		before := len(d.refused)
		if err := d.send(ctx, apart[name], true); err != nil {
			return err
		}
		if len(d.refused) == before {
			delete(d.f.apart, name) // it is taken now
		}
	}
	return nil
}

func (n fieldName) compare(o fieldName) int {
	return cmp.Or(strings.Compare(n.measurement, o.measurement), strings.Compare(n.field, o.field))
}

// split takes suspect fields out of the points.
func (d *delivery) split(points []point) (rest []point, apart map[fieldName][]point) {
	if len(d.f.apart) == 0 {
		return points, nil
	}
	apart = map[fieldName][]point{}
	for i := range points {
		p := points[i]
		p.fields = nil
		for j, f := range points[i].fields {
			if name := (fieldName{p.measurement, f.name}); d.f.apart[name] {
				apart[name] = append(apart[name], points[i].only(j))
			} else {
				p.fields = append(p.fields, f)
			}
		}
		if len(p.fields) > 0 {
			rest = append(rest, p)
		}
	}
	return rest, apart
}

// send sends points, in halves where they are refused together.
func (d *delivery) send(ctx context.Context, points []point, apart bool) error {
	for d.f.most > 0 && len(points) > d.f.most {
		if err := d.send(ctx, points[:d.f.most], apart); err != nil {
			return err
		}
		points = points[d.f.most:]
	}
	lines, points := d.lines(points)
	if len(lines) == 0 {
		return nil
	}
	v := d.f.post.send(ctx, lines)
	d.f.update(func(s *Status) { s.Requests++ })
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case v.trouble != nil:
		return v.trouble
	case !v.refused && !v.tooLarge:
		d.taken += len(lines)
		return nil
	case v.refused && v.dropped == len(lines) && (apart || v.tooOld):
		for i := range lines {
			d.refuse(&points[i], lines[i], v)
		}
		return nil
	case len(points) > 1:
		half := len(points) / 2
		if v.tooLarge {
			d.f.most = max(1, half)
		}
		if err := d.send(ctx, points[:half], apart); err != nil {
			return err
		}
		return d.send(ctx, points[half:], apart)
	case len(points[0].fields) > 1:
		return d.sendFields(ctx, &points[0], apart)
	}
	p := &points[0]
	if name := (fieldName{p.measurement, p.fields[0].name}); v.conflict && !d.f.apart[name] && len(d.f.apart) < suspectMost {
		d.f.apart[name] = true
		return errAgain
	}
	d.refuse(p, lines[0], v)
	if d.unknown > unknownMost && d.taken == 0 {
		return d.refusesAll(v.words)
	}
	return nil
}

// sendFields sends the fields of a refused point one by one: what is bad takes
// nothing good along.
func (d *delivery) sendFields(ctx context.Context, p *point, apart bool) error {
	for i := range p.fields {
		if err := d.send(ctx, []point{p.only(i)}, apart); err != nil {
			return err
		}
	}
	return nil
}

func (d *delivery) refuse(p *point, line string, v verdict) {
	if !v.fault && !v.tooLarge {
		d.unknown++
	}
	d.refused = append(d.refused, refusal{rig: p.rig, status: v.status, words: v.words, line: line})
}

// lines puts points into line protocol; one that cannot be is among the refused.
func (d *delivery) lines(points []point) (lines []string, kept []point) {
	for i := range points {
		p := &points[i]
		line, err := p.line(&d.enc)
		if err != nil {
			d.refused = append(d.refused, refusal{rig: p.rig, words: err.Error(), line: fmt.Sprintf("%s %s", p.measurement, p.at)})
			continue
		}
		lines = append(lines, line)
		kept = append(kept, *p)
	}
	return lines, kept
}
