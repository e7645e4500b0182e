package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// Data moves one way, and imports point against it: a package imports only what its
// data comes from. The rows say what each room may not import, and why. A prefix
// ending in / stands for all below it.
var importRules = []importRule{
	{"hoistward/ingest/units", nil, []string{"net", "os", "time"}, "a unit is arithmetic"},
	{"hoistward/ingest", []string{"hoistward/ingest/units"}, []string{"net", "os", "database/sql", "log", "go.uber.org/zap"},
		"what a reading is needs neither network nor disk; time comes in with the data"},
	{"hoistward/ingest/sparkplug", []string{"hoistward/ingest"}, []string{"net", "os", "context", "log", "go.uber.org/zap"},
		"a session is followed by its messages and the time that they bring; it has no clock and publishes nothing itself"},
	{"hoistward/ingest/npmtest", nil, []string{"net"}, "tests alone use it, of every room: it knows none of them"},
	{"hoistward/ingest/testnames", nil, []string{"net"}, "tests alone use it, of every room: it knows none of them"},
	{"hoistward/ingest/tables", nil, []string{"net", "os"}, "a table is written to what it is given; what a column means is not its business"},
	{"hoistward/ingest/record/historian", []string{"hoistward/ingest", "hoistward/ingest/record"}, []string{"go.uber.org/zap", "log"},
		"the forwarder reads recordings and nothing else; what a value means is decided elsewhere"},
	{"hoistward/ingest/jetstream", nil, []string{"os", "database/sql", "go.uber.org/zap", "github.com/eclipse/paho.mqtt.golang"},
		"bytes in order, and who may write them; what they mean is decided elsewhere"},
	{"hoistward/ingest/jetstream/servers", nil, []string{"database/sql", "go.uber.org/zap"}, "a server is what its file says"},
	{"hoistward/ingest/", []string{"hoistward/ingest", "hoistward/ingest/"}, nil, "sources are upstream of everything"},
	{"hoistward/detect/hoist", []string{"hoistward/ingest/units"}, []string{"net", "os", "log", "go.uber.org/zap", "sync"},
		"physics knows of no sensor, clock, log or goroutine"},
	{"hoistward/detect", []string{"hoistward/detect/hoist", "hoistward/ingest", "hoistward/ingest/units"},
		[]string{"net", "os", "log", "go.uber.org/zap", "sync", "context"}, "decisions are pure; I/O belongs in ingest"},
	{"hoistward/alarms", nil, []string{"net", "os", "log", "go.uber.org/zap", "sync", "context"},
		"an alarm is a value; where a condition came from is not its business"},
	{"hoistward/alarms/journal", []string{"hoistward/alarms"}, []string{"net"}, "the journal is a file"},
	{"hoistward/alarms/watch", []string{"hoistward/alarms", "hoistward/alarms/watch/carry", "hoistward/detect", "hoistward/detect/hoist", "hoistward/ingest", "hoistward/ingest/units"},
		[]string{"net", "os", "database/sql", "go.uber.org/zap", "github.com/eclipse/paho.mqtt.golang"},
		"the way of a rig knows of no transport: sources, disk and page are handed in"},
	{"hoistward/alarms/watch/carry", nil, []string{"net", "os", "log", "go.uber.org/zap", "context"},
		"a value is bytes and back; what it means is not its business"},
	{"hoistward/alarms/pair", []string{"hoistward/alarms", "hoistward/ingest"}, []string{"net", "os", "context", "sync", "log", "go.uber.org/zap"},
		"who speaks is decided from what was heard; hearing and speaking are the command's"},
	{"hoistward/alarms/notify", []string{"hoistward/alarms", "hoistward/alarms/journal", "hoistward/alarms/pair", "hoistward/alarms/watch", "hoistward/ingest/mqtt"},
		[]string{"database/sql", "github.com/eclipse/paho.mqtt.golang"}, "what goes out comes from the journal and the alarms alone; it decides nothing"},
	{"hoistward/alarms/group", []string{"hoistward/alarms", "hoistward/alarms/watch", "hoistward/ingest", "hoistward/ingest/jetstream"},
		[]string{"os", "database/sql", "go.uber.org/zap", "github.com/eclipse/paho.mqtt.golang"},
		"a member plays what the servers keep; files, pages and logs are the command's"},
	{"hoistward/alarms/pulse", nil, []string{"net", "os", "context", "sync", "log", "go.uber.org/zap"},
		"whether it is watched is decided from what was seen; looking and telling are the command's"},
	{"hoistward/alarms/whatif", []string{"hoistward/alarms", "hoistward/alarms/watch", "hoistward/detect", "hoistward/ingest"},
		[]string{"net", "os", "context", "go.uber.org/zap"}, "what might have been is worked out from entries, as what was"},
	{"hoistward/dashboard/access", nil, []string{"net", "net/http", "go.uber.org/zap", "log"},
		"who may do what needs neither pages nor a clock"},
	{"hoistward/dashboard/trend", nil, []string{"net", "os", "log", "sync", "context", "go.uber.org/zap"},
		"a ring of numbers: time comes with them"},
	{"hoistward/dashboard", []string{"hoistward/ingest", "hoistward/dashboard/access", "hoistward/dashboard/trend"}, []string{"database/sql", "github.com/eclipse/paho.mqtt.golang"},
		"the page shows what it is given and computes no physics"},
	{"hoistward/dashboard/", []string{"hoistward/dashboard", "hoistward/dashboard/", "hoistward/alarms", "hoistward/alarms/watch", "hoistward/detect", "hoistward/ingest", "hoistward/ingest/units"},
		nil, "arrows point inward"},
	{"hoistward/dashboard/replay", []string{"hoistward/dashboard", "hoistward/dashboard/view", "hoistward/alarms", "hoistward/alarms/watch", "hoistward/alarms/whatif", "hoistward/detect", "hoistward/ingest", "hoistward/ingest/record", "hoistward/ingest/units"},
		[]string{"database/sql", "go.uber.org/zap"}, "a replay is what the watch makes of a recording's entries; rig files are read and reports made by what is handed in"},
	{"hoistward/dashboard/report", []string{"hoistward/dashboard", "hoistward/alarms", "hoistward/alarms/watch", "hoistward/alarms/whatif", "hoistward/detect", "hoistward/detect/hoist", "hoistward/ingest"},
		[]string{"net", "net/http", "os", "database/sql", "go.uber.org/zap"}, "a report is made of the entries that it is handed: disk and clock are the command's"},
	{"hoistward/simulator", []string{"hoistward/detect/hoist", "hoistward/ingest", "hoistward/ingest/units"}, []string{"net", "github.com/eclipse/paho.mqtt.golang"},
		"the plant is independent of the detectors; only parameters and geometry are shared"},
	{"hoistward/simulator/trial", []string{"hoistward/simulator", "hoistward/alarms", "hoistward/alarms/watch", "hoistward/detect", "hoistward/detect/hoist", "hoistward/ingest", "hoistward/ingest/units"},
		[]string{"net"}, "the trial judges the monitor on the plant: it alone sees both, and the plant sees neither"},
	{"hoistward/simulator/", []string{"hoistward/simulator", "hoistward/simulator/", "hoistward/ingest", "hoistward/ingest/units"}, nil, "publishing is a shell around the plant"},
	{"hoistward/ingest/wits/item", []string{"hoistward/ingest", "hoistward/ingest/units"}, []string{"net", "os"}, "a table of numbers and units"},
	{"hoistward/configs", []string{"hoistward/detect/hoist", "hoistward/ingest", "hoistward/ingest/units", "hoistward/ingest/wits/item"}, []string{"net/http"},
		"files are read and checked before anything else"},
}

type importRule struct {
	room   string   // the package, or those below it
	may    []string // own packages that it may import
	not    []string // others that it may not
	reason string
}

// ruleFor returns the rule of a package: its own, else that of the room around it.
func ruleFor(path string) (importRule, bool) {
	for _, r := range importRules {
		if path == r.room {
			return r, true
		}
	}
	for _, r := range importRules {
		if inRoom(path, r.room) {
			return r, true
		}
	}
	return importRule{}, false
}

type listedPackage struct {
	ImportPath string
	Imports    []string
}

func listPackages(t *testing.T) []listedPackage {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports", "./...")
	cmd.Dir = filepath.Join("..", "..")
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var all []listedPackage
	for d := json.NewDecoder(strings.NewReader(string(out))); d.More(); {
		var p listedPackage
		if err := d.Decode(&p); err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
	return all
}

func inRoom(path, room string) bool {
	if prefix, ok := strings.CutSuffix(room, "/"); ok {
		return strings.HasPrefix(path, prefix+"/")
	}
	return path == room
}

func TestArrowsPointInward(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range listPackages(t) {
		if strings.HasPrefix(p.ImportPath, "hoistward/cmd/") {
			continue
		}
		rule, ok := ruleFor(p.ImportPath)
		if !ok {
			t.Errorf("%s stands in no room of the table", p.ImportPath)
			continue
		}
		seen[rule.room] = true
		for _, imp := range p.Imports {
			own := strings.HasPrefix(imp, "hoistward/")
			allowed := slices.ContainsFunc(rule.may, func(m string) bool { return inRoom(imp, m) })
			if own && !allowed || slices.Contains(rule.not, imp) {
				t.Errorf("%s imports %s: %s", p.ImportPath, imp, rule.reason)
			}
		}
	}
	for _, r := range importRules {
		if !seen[r.room] {
			t.Errorf("the table's room %s has no package", r.room)
		}
	}
}

// The top of the tree is the drawing: nothing else stands there.
func TestTopLevel(t *testing.T) {
	want := []string{"DEVELOPERS.md", "LICENSE", "NOTICE", "README.md", "alarms", "cmd", "configs", "dashboard", "detect", "go.mod", "go.sum", "ingest", "simulator", "testdata"}
	made := []string{"test-output", "hoistward-data", "hoistward"} // by the tests, the program and go build; ignored by git
	entries, err := os.ReadDir(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") && !slices.Contains(made, e.Name()) {
			got = append(got, e.Name())
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("top level %v, want %v", got, want)
	}
}

// Each package says what it is for and what it may not do.
func TestPackagesSayWhatTheyMayNot(t *testing.T) {
	cmd := exec.Command("go", "list", "-f", "{{.ImportPath}}|{{.Dir}}", "./...")
	cmd.Dir = filepath.Join("..", "..")
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(out)) {
		path, dir, _ := strings.Cut(strings.TrimSpace(line), "|")
		if text := packageComment(t, dir); !strings.Contains(text, "may not") {
			t.Errorf("%s: the package comment does not say what it may not do:\n%s", path, text)
		}
	}
}

func packageComment(t *testing.T, dir string) string {
	t.Helper()
	out, err := exec.Command("go", "doc", dir).CombinedOutput()
	if err != nil {
		t.Fatalf("go doc %s: %v: %s", dir, err, out)
	}
	return string(out)
}
