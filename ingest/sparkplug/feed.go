package sparkplug

import (
	"cmp"
	"slices"
	"time"

	"hoistward/ingest"
)

// Stamps must lie between these, ms since 1970: 1e11 is in March 1973, and a time
// in seconds stays below it until the year 5138; the upper one is the end of the
// year 9999, and a time in microseconds lies above it since 1978.
const (
	minMillis = 1e11
	maxMillis = 253402300799999
)

func believable(ms uint64) bool { return ms > minMillis && ms <= maxMillis }

// feed is what was handed out of one rig.
type feed struct {
	rig      string
	at       time.Time // event time of the newest sample
	received time.Time
	standing uint32 // channels whose last value still stands, by bits
	values   [ingest.NumChannels]ingest.Value
	since    [ingest.NumChannels]time.Time // receipt of that value
}

// emit hands out the readings of one message: a sample for each time in it, in
// order, the last with the values that still stand.
func (h *Host) emit(n *node, e *entity, a *arrival, out ingest.Sink) {
	all := h.readings
	if h.o.Mapping.Clock == ingest.SourceClock {
		all = timed(all, e.feed.rig, out)
		byTime := func(a, b reading) int { return cmp.Compare(a.at, b.at) }
		if !slices.IsSortedFunc(all, byTime) {
			slices.SortStableFunc(all, byTime)
		}
	} else {
		for i := range all {
			all[i].at = 0
		}
	}
	if len(all) == 0 {
		h.heartbeat(e, a, out)
		return
	}
	for len(all) > 0 {
		k := 1
		for k < len(all) && all[k].at == all[0].at {
			k++
		}
		h.gather(e, all[:k], a.received, out)
		if k == len(all) {
			e.feed.stand(h, a.received)
		}
		h.send(e.feed, int64(all[0].at), a.received, out)
		all = all[k:]
	}
}

// timed leaves the readings that have a time.
func timed(all []reading, rig string, out ingest.Sink) []reading {
	return slices.DeleteFunc(all, func(r reading) bool {
		switch {
		case !r.hasTime:
			out.Reject(rig, ingest.RejectNoTime, r.channel.String())
		case !believable(r.at):
			out.Reject(rig, ingest.RejectBadTime, r.channel.String())
		default:
			return false
		}
		return true
	})
}

// gather makes a sample of readings of one time.
func (h *Host) gather(e *entity, all []reading, received time.Time, out ingest.Sink) {
	h.sample = ingest.Sample{}
	for _, r := range all {
		v := r.value
		if h.sample.Named(r.channel) {
			v = ingest.BadValue(ingest.NamedTwice)
			out.Reject(e.feed.rig, ingest.RejectDuplicateKey, r.channel.String())
		}
		h.sample.Set(r.channel, v)
		e.told |= 1 << r.channel
		e.feed.values[r.channel], e.feed.since[r.channel] = v, received
		if v.Quality == ingest.Bad {
			e.feed.standing &^= 1 << r.channel
		} else {
			e.feed.standing |= 1 << r.channel
		}
	}
}

// stand adds to the sample the values that were not sent again because they have
// not changed.
func (f *feed) stand(h *Host, received time.Time) {
	if h.o.Hold == 0 {
		return
	}
	for c := range ingest.NumChannels {
		if f.standing&(1<<c) == 0 || h.sample.Named(c) {
			continue
		}
		if !c.OnOff() && received.Sub(f.since[c]) > h.o.Hold {
			f.standing &^= 1 << c
			continue
		}
		h.sample.Set(c, f.values[c])
	}
}

// heartbeat hands out what still stands, as a message without any of our metrics
// shows that the session lives.
func (h *Host) heartbeat(e *entity, a *arrival, out ingest.Sink) {
	f := e.feed
	receipt := h.o.Mapping.Clock == ingest.ReceiptClock
	if f.at.IsZero() || !receipt && !(a.hasTime && believable(a.timestamp) && time.UnixMilli(int64(a.timestamp)).After(f.at)) {
		return
	}
	h.sample = ingest.Sample{}
	f.stand(h, a.received)
	if h.sample.Has != 0 {
		h.send(f, int64(a.timestamp), a.received, out)
	}
}

// send stamps the sample and hands it out.
func (h *Host) send(f *feed, ms int64, received time.Time, out ingest.Sink) {
	at := time.UnixMilli(ms).UTC()
	t, r := h.o.Mapping.Stamp(at, received)
	h.sample.Time = t
	switch r {
	case ingest.RejectFarPast:
		out.Reject(f.rig, r, ingest.StampWords(t, received))
		return
	case ingest.RejectClockAhead:
		out.Reject(f.rig, r, ingest.StampWords(at, received))
		for c := range h.sample.Values {
			h.sample.Values[c] = h.sample.Values[c].Ahead()
		}
	}
	if t.After(f.at) || received.Sub(f.received) > h.o.Mapping.MaxBehind {
		f.at, f.received = t, received
	}
	out.Sample(f.rig, &h.sample)
}

// lose hands out that the given channels of a rig have no value any more, at the
// time that the source's clock shows now as far as we know.
func (n *node) lose(f *feed, channels uint32, now time.Time, out ingest.Sink) {
	f.standing &^= channels
	if channels == 0 || f.at.IsZero() {
		return
	}
	f.at, f.received = f.at.Add(max(now.Sub(f.received), time.Millisecond)), now
	s := &n.h.sample
	*s = ingest.Sample{Time: f.at}
	for c := range ingest.NumChannels {
		if channels&(1<<c) != 0 {
			s.Set(c, ingest.BadValue(ingest.Lost))
		}
	}
	out.Sample(f.rig, s)
}
