package wits

import (
	"fmt"
	"time"

	"hoistward/ingest"
	"hoistward/ingest/wits/item"
)

// declared is what record 23 has said, and what of it contradicts the site file. It
// holds until record 23 says otherwise: it may never be sent again.
type declared struct {
	ignore       bool
	zone         time.Duration // as the site file states it
	here         bool          // the frame at hand says something
	conflicts    [ingest.NumChannels]string
	zoneConflict string
}

func (d *declared) hear(system, zone cell, m *ingest.Mapping, reject func(ingest.Reject, string)) {
	d.here = system.times+zone.times > 0
	if d.ignore {
		return
	}
	if system.times > 0 && !noValue(system.text) {
		if s := item.ParseSystem(string(system.text)); s != item.NoSystem {
			d.setSystem(s, m)
		} else {
			reject(ingest.RejectUnitConflict, fmt.Sprintf("record 23 item 32: got the system %q, want METRIC or FPS", head(system.text)))
		}
	}
	if zone.times > 0 && !noValue(zone.text) && m.Clock == ingest.SourceClock {
		d.zoneConflict = ""
		if !item.MeansZone(string(zone.text), d.zone) {
			d.zoneConflict = fmt.Sprintf("record 23 item 33 says %s, the site file %s", head(zone.text), item.FormatZone(d.zone))
		}
	}
}

func (d *declared) setSystem(s item.System, m *ingest.Mapping) {
	for c := range ingest.NumChannels {
		d.conflicts[c] = ""
		cm := &m.Channels[c]
		if !cm.Mapped || item.Agrees(cm, s) {
			continue
		}
		d.conflicts[c] = fmt.Sprintf("%s %s: record 23 says %s, so %s; the site file says %s",
			c, cm.Field, s, item.Standard(cm.Unit.Dimension, s), cm.Unit.Symbol)
	}
}
