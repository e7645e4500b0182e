package notify

import "context"

// BeatTopic is where a monitor's beats go by, at QoS 0 and not retained: one that comes
// was made just now.
func BeatTopic(site string) string { return PresenceTopic(site) + "/heartbeat" }

// Beat says that the monitor's whole way was gone through for every rig since the beat
// before. Who hears none for three times Every is to take it that nothing is watched.
type Beat struct {
	Site    string            `json:"site"`
	Member  string            `json:"member,omitempty"` // of a pair, the one that speaks
	Count   uint64            `json:"count"`            // from 1, since the monitor's start
	At      string            `json:"at"`               // the monitor's clock
	Every   float64           `json:"every_s"`          // s, the least time between two
	Rigs    int               `json:"rigs"`
	Watched int               `json:"watched"`     // of them
	Missing map[string]string `json:"not_watched"` // a hundred of the others, with what is missing
}

// Beat sends one on every broker that can be reached. It never waits; nothing is kept
// for later, and of two that have not gone out only the newer does.
func (n *Notifier) Beat(text []byte) {
	for _, d := range n.mqtt {
		select {
		case <-d.beats:
		default:
		}
		select {
		case d.beats <- text:
		default: // another was quicker: it is as new
		}
	}
}

func (d *mqttOut) sendBeats(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case text := <-d.beats:
			if d.isOpen() && d.box.speaks() {
				_ = d.client.Publish(BeatTopic(d.o.Site), 0, false, text) // the next comes soon
			}
		}
	}
}
