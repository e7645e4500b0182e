package main

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"hoistward/alarms/watch"
	"hoistward/configs"
)

// A source by the name of a part of the monitor is refused: its link would be taken for
// that part's, and its loss would raise no alarm of a lost broker.
func TestASourceMayNotBearTheNameOfAPartOfTheMonitor(t *testing.T) {
	if own := watch.OwnLinks(); !slices.Equal(configs.OwnNames, own) {
		t.Fatalf("site files refuse %v, want the links of the watch, %v", configs.OwnNames, own)
	}
	for _, name := range append(slices.Clone(configs.OwnNames), "field") {
		text := fmt.Sprintf("site: s\nrigs:\n  - file: r.yaml\nsources:\n  - name: %s\n    kind: mqtt\n    broker: tcp://127.0.0.1:1883\n"+
			"    topic: hoist/{rig}/readings\n    channels:\n      hook_load: {unit: kN}\n", name)
		_, problems := configs.ReadSite("site.yaml", []byte(text))
		refused := slices.ContainsFunc(problems, func(p configs.Problem) bool {
			return strings.Contains(p.String(), "sources[0].name") && strings.Contains(p.String(), "does not use itself")
		})
		if refused == (name == "field") {
			t.Errorf("source %q: refused %v: %v", name, refused, problems)
		}
	}
}
