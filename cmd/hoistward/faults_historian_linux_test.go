package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
)

// withHistorian is a monitor that forwards to VictoriaMetrics, by a proxy.
func withHistorian(f *fault) (*realPart, *poison) {
	f.t.Helper()
	v := newVictoria(f.t)
	p := newPoison(f.t, v.address())
	f.watch(f.broker.mqtt(), fmt.Sprintf("historian: {url: 'http://%s', bucket: hoist, interval: 200 ms, behind_after: 10 s}\n", p.Listen))
	f.wait("points with the historian", func() bool { return f.historian().Sent > 0 })
	return v, p
}

func (f *fault) historian() historianHealth {
	var h health
	if !f.monitor.get("/healthz", &h) || h.Historian == nil {
		return historianHealth{}
	}
	return *h.Historian
}

// Received is up to when all is with the historian.
func (h historianHealth) Received() time.Time {
	if len(h.Rigs) == 0 {
		return time.Time{}
	}
	at, _ := time.Parse(time.RFC3339Nano, h.Rigs[0].Received)
	return at
}

// behindAndBack is what all faults of a historian have in common: an alarm, the rig
// watched all the time, and in the end each reading that is recorded with the historian
// too, once.
func behindAndBack(f *fault, v *realPart, mend func(), but ...span) {
	f.t.Helper()
	f.alarm("historian_behind")
	f.alive(time.Second)
	mend()
	f.recovers(time.Minute, time.Now(), "by itself, all that was missed is sent", func() bool {
		return !f.hasAlarm("historian_behind") && f.historian().State == "forwarding"
	})
	f.allForwarded(v, but...)
}

// forwarded are the times, ms, of the hook loads that the historian has.
func forwarded(f *fault, v *realPart) (got map[int64]bool, twice int) {
	f.t.Helper()
	ask := func(path string, q url.Values) *http.Response {
		r, err := http.PostForm("http://"+v.address()+path, q)
		if err != nil || r.StatusCode/100 != 2 {
			f.t.Fatalf("%s: %v %v", path, r, err)
		}
		f.t.Cleanup(func() { r.Body.Close() })
		return r
	}
	ask("/internal/force_flush", nil)
	got = map[int64]bool{}
	lines := bufio.NewScanner(ask("/api/v1/export", url.Values{"match[]": {`{__name__="hoist_hook_load"}`}, "start": {"0"}, "end": {"2040-01-01T00:00:00Z"}}).Body)
	lines.Buffer(nil, 1<<26)
	for lines.Scan() {
		var l struct{ Timestamps []int64 }
		if err := json.Unmarshal(lines.Bytes(), &l); err != nil {
			f.t.Fatal(err)
		}
		for _, ms := range l.Timestamps {
			if got[ms] {
				twice++
			}
			got[ms] = true
		}
	}
	return got, twice
}

func historianKilled(f *fault) {
	v, _ := withHistorian(f)
	now := time.Now()
	v.kill()
	behindAndBack(f, v, v.start, span{now.Add(-10 * time.Second), now})
	f.lostText += " of the recordings; VictoriaMetrics itself forgets the last seconds that it had confirmed before it was killed"
}

func historianFrozen(f *fault) {
	v, _ := withHistorian(f)
	v.freeze()
	behindAndBack(f, v, v.thaw)
}

func historianSlow(f *fault) {
	v, p := withHistorian(f)
	p.add("latency", `{"latency":1500}`)
	f.alive(5 * time.Second)
	f.sees = append(f.sees, "how far it is behind, in `/healthz` and `/metrics`")
	if s := f.historian(); s.State == "" || s.Refused > 0 {
		f.t.Errorf("the historian's health is %+v", s)
	}
	f.nothingToRecover()
	f.allForwarded(v)
}

// allForwarded ends the run and holds what the historian has against what is recorded,
// but for times in which it lost by itself what it had confirmed.
func (f *fault) allForwarded(v *realPart, but ...span) {
	f.t.Helper()
	f.accounted("nothing", false)
	all := recorded(f.t, f.data)
	got, twice := forwarded(f, v)
	missing := 0
	for r := range all {
		if !got[r.at.UnixMilli()] && !slices.ContainsFunc(but, func(s span) bool { return s.holds(r.at) }) {
			missing++
		}
	}
	if missing > 0 || twice > 0 {
		f.t.Errorf("%d of %d recorded readings are not with the historian, %d are there twice", missing, len(all), twice)
	}
}

func historianRefusing(f *fault) {
	v, _ := withHistorian(f)
	v.end()
	open := v.args
	ready := v.ready
	v.args = append(append([]string{}, open...), "-httpAuth.username=else", "-httpAuth.password=invented")
	v.ready = func() bool {
		r, err := http.Get("http://" + v.address() + "/metrics")
		return err == nil && r.Body.Close() == nil && r.StatusCode == http.StatusUnauthorized
	}
	v.start()
	f.wait("the refusal in words", func() bool { return strings.Contains(f.historian().Error, "401") })
	f.sees = append(f.sees, "health “401”, with the server's words")
	behindAndBack(f, v, func() {
		v.end()
		v.args, v.ready = open, ready
		v.start()
	})
}
