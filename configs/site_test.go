package configs

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"hoistward/ingest"
	"hoistward/ingest/mqtt"
	"hoistward/ingest/units"
)

func TestExampleSite(t *testing.T) {
	site, err := LoadSite("site.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if site.Name != "northfell" || site.Listen != "127.0.0.1:8077" || site.Data != "hoistward-data" || len(site.Notes) != 0 {
		t.Errorf("site read as %q %q %q with notes %v", site.Name, site.Listen, site.Data, site.Notes)
	}
	if len(site.Rigs) != 1 || site.Rigs[0].Rig == nil || site.Rigs[0].Rig.Name != "R1" || len(site.Rigs[0].Text) == 0 {
		t.Fatalf("rigs read as %+v, want R1 with its text", site.Rigs)
	}
	if len(site.Sources) != 1 {
		t.Fatalf("%d sources, want 1", len(site.Sources))
	}
	s := site.Sources[0]
	if s.Name != "rig-broker" || s.Kind != "mqtt" || s.Broker != "tcp://127.0.0.1:1883" || s.Topic != "hoist/{rig}/readings" || s.QoS != 1 || s.QuietAfter != 3*time.Second {
		t.Errorf("source read as %+v", s)
	}
	m := s.Mapping
	if m.TimeField != "t" || m.Clock != ingest.SourceClock || m.MaxAhead != 5*time.Second || m.MaxBehind != time.Minute {
		t.Errorf("time read as %+v", m)
	}
	load := m.Channels[ingest.HookLoad]
	if !load.Mapped || load.Field != "hook_load" || load.Unit.Symbol != "kN" || load.Low != -20e3 || load.High != 5e6 || load.Scale != 1 || load.Shift != 0 ||
		len(load.Nulls) != 1 || load.Nulls[0] != -999.25 {
		t.Errorf("hook load mapped as %+v", load)
	}
	if m.Channels[ingest.BitDepth].Mapped {
		t.Error("bit depth is mapped, want it not: the file does not name it")
	}
}

// siteText is a site with one source, whose lines the tests replace.
const siteText = `site: one
rigs:
  - file: R1
sources:
  - name: broker
    kind: mqtt
    broker: tcp://127.0.0.1:1883
    topic: hoist/{rig}/readings
    channels:
      hook_load: {unit: kN}
      block_height: {unit: m}
      drum_speed: {unit: rpm}
      brake_pressure: {unit: MPa}
`

func TestSiteDefaults(t *testing.T) {
	site, problems := ReadSite("one.yaml", []byte(siteText))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	s := site.Sources[0]
	if site.Listen != "127.0.0.1:8077" || site.Data != "hoistward-data" || s.QoS != 1 || s.QuietAfter != 3*time.Second || s.ClientID != "" {
		t.Errorf("read as %+v, %+v", site, s)
	}
	if m := s.Mapping; m.TimeField != "t" || m.Clock != ingest.SourceClock || m.MaxAhead != 5*time.Second || m.MaxBehind != time.Minute {
		t.Errorf("time read as %+v", m)
	}
	if errs := s.Mapping.Check(); len(errs) > 0 {
		t.Errorf("the mapping is not fit for use: %v", errs)
	}
}

func TestChannelOptions(t *testing.T) {
	text := strings.Replace(siteText, "hook_load: {unit: kN}", "hook_load: {unit: klbf, field: HKLA, scale: 2, shift: -3, range: [0 klbf, 1 MN], null: [-999.25, -9999]}", 1)
	text = strings.Replace(text, "channels:", "time: {clock: receipt, max_ahead: 250 ms, max_behind: 2 min}\n    qos: 0\n    quiet_after: 500 ms\n    channels:", 1)
	site, problems := ReadSite("one.yaml", []byte(text))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	s := site.Sources[0]
	c := s.Mapping.Channels[ingest.HookLoad]
	if c.Field != "HKLA" || c.Unit.Dimension != units.Force || c.Scale != 2 || c.Shift != -3 || c.Low != 0 || c.High != 1e6 || len(c.Nulls) != 2 || c.Nulls[1] != -9999 {
		t.Errorf("channel read as %+v", c)
	}
	if m := s.Mapping; m.Clock != ingest.ReceiptClock || m.MaxAhead != 250*time.Millisecond || m.MaxBehind != 2*time.Minute || s.QoS != 0 || s.QuietAfter != 500*time.Millisecond {
		t.Errorf("source read as %+v", s)
	}
}

func TestStandardRangesHoldWhatARigShows(t *testing.T) {
	for c := range ingest.NumChannels {
		r := standardRanges[c]
		if !(r[0] < r[1]) || !(r[0] <= 0 || c.Dimension() == units.Temperature) {
			t.Errorf("%s: range %v to %v, want the lesser first and a channel at rest inside", c, r[0], r[1])
		}
	}
}

func TestListen(t *testing.T) {
	tests := map[string]bool{
		"127.0.0.1:8077": true, "127.9.9.9:1": true, "localhost:0": true, `"[::1]:8077"`: true,
		"0.0.0.0:8077": false, `":8077"`: false, "192.0.2.1:80": false, `"[::]:80"`: false, "rig.example:80": false, "127.0.0.1": false,
		"127.0.0.1:99999": false, "127.0.0.1:http": false, "localhost.example:80": false, "127.0.0.1.example:80": false,
	}
	for listen, good := range tests {
		site, problems := ReadSite("one.yaml", []byte("listen: "+listen+"\n"+siteText))
		if (len(problems) == 0) != good {
			t.Errorf("listen %s gives %v, want good=%v", listen, problems, good)
		}
		if good && site.Listen != strings.Trim(listen, `"`) {
			t.Errorf("listen %s read as %q", listen, site.Listen)
		}
	}
}

// TestTopicsAndBrokersSuitTheClient: what a site file may say, the MQTT client
// takes.
func TestTopicsAndBrokersSuitTheClient(t *testing.T) {
	topics := map[string]bool{
		"hoist/{rig}/readings": true, "{rig}": true, "a/b/{rig}": true, "site.one/{rig}/x-y_z": true, "é/{rig}": true,
		"hoist/readings": false, "hoist/{rig}{rig}": false, "{rig}/{rig}": false, "hoist/{Rig}/x": false, "hoist/{rig}/{x}": false,
		"/{rig}": false, "hoist//{rig}": false, "{rig}/": false, "hoist/+/{rig}": false, "{rig}/#": false, "a b/{rig}": false,
		"\"a\\t/{rig}\"": false, "\"a\\0/{rig}\"": false, "$share/g/{rig}": false, "hoist/{rig}/alarms": false, "\"a\\uFFFD/{rig}\"": false,
	}
	for topic, good := range topics {
		text := strings.Replace(siteText, "hoist/{rig}/readings", quoteYAML(topic), 1)
		checkSource(t, "topic "+topic, text, "sources[0].topic", good)
	}
	brokers := map[string]bool{
		"tcp://127.0.0.1:1883": true, "ssl://broker.example:8883": true, "tcp://[::1]:1883": true, "tcp://h:1883/": true,
		"127.0.0.1:1883": false, "mqtt://h:1883": false, "tcp://h": false, "tcp://h:0": false, "tcp://h:70000": false, "tcp://:1883": false,
		"tcp://u@h:1883": false, "tcp://u:p@h:1883": false, "tcp://h:1883/x": false, "tcp://h:1883?x=1": false, "tcp://h:1883#x": false, "http://h:80": false,
	}
	for broker, good := range brokers {
		text := strings.Replace(siteText, "tcp://127.0.0.1:1883", quoteYAML(broker), 1)
		checkSource(t, "broker "+broker, text, "sources[0].broker", good)
	}
}

func quoteYAML(s string) string {
	if strings.HasPrefix(s, `"`) {
		return s
	}
	return "'" + s + "'"
}

func checkSource(t *testing.T, what, text, key string, good bool) {
	t.Helper()
	site, problems := ReadSite("one.yaml", []byte(text))
	switch {
	case good && len(problems) > 0:
		t.Errorf("%s gives %v, want none", what, problems)
	case !good && (len(problems) != 1 || problems[0].Key != key):
		t.Errorf("%s gives %v, want one problem at %s", what, problems, key)
	case good:
		s := site.Sources[0]
		if _, err := mqtt.New(mqtt.Options{Name: s.Name, Broker: s.Broker, Topics: mqtt.Topics(s.Topic), QoS: s.QoS, QuietAfter: s.QuietAfter}); err != nil {
			t.Errorf("%s reads without a mistake, but the client says %v", what, err)
		}
	}
}

// TestNames: a rig's name stands in topics and as a folder on any system.
func TestNames(t *testing.T) {
	names := map[string]bool{
		"R1": true, "northfell-1": true, "a.b": true, "7": true, "x_": true, "x-": true, strings.Repeat("a", 64): true,
		strings.Repeat("a", 65): false, ".": false, "..": false, "a.": false, ".a": false, "-a": false, "a/b": false, "a b": false, "å": false, "a+": false, "a#": false, "a{rig}": false,
	}
	for name, good := range names {
		r := newReader("x")
		root, _ := r.document([]byte("rig: '"+name+"'"), "")
		if got := root.name("rig"); (len(r.problems) == 0) != good || (got == name) != good {
			t.Errorf("%q read as %q with %v, want good=%v", name, got, r.problems, good)
		}
	}
}

func TestNotes(t *testing.T) {
	const counts = "      drum_counts: {}\n"
	tests := []struct {
		name, text string
		want       []string
	}{
		{"all", siteText, nil},
		{"no height", strings.Replace(siteText, "      block_height: {unit: m}\n", "", 1), []string{"without block_height", "where the block is", "drum_counts is missing too"}},
		{"no height but counts", strings.Replace(siteText, "      block_height: {unit: m}\n", counts, 1), []string{"without block_height", "whether the height from the drum is true"}},
		{"no pressure", strings.Replace(siteText, "      brake_pressure: {unit: MPa}\n", "", 1), []string{"without brake_pressure", "friction factor"}},
		{"another source has it", strings.Replace(siteText, "      brake_pressure: {unit: MPa}\n", "", 1) +
			"  - {name: b, kind: mqtt, broker: 'tcp://h:1', topic: 'b/{rig}', channels: {brake_pressure: {unit: MPa}}}\n", nil},
		{"two have it", siteText + "  - {name: b, kind: mqtt, broker: 'tcp://h:1', topic: 'b/{rig}', channels: {brake_pressure: {unit: MPa}}}\n",
			[]string{"brake_pressure comes from broker and b"}},
	}
	for _, tt := range tests {
		site, problems := ReadSite("one.yaml", []byte(tt.text))
		if len(problems) > 0 {
			t.Errorf("%s: %v", tt.name, problems)
		}
		if len(tt.want) == 0 && len(site.Notes) > 0 || len(tt.want) > 0 && len(site.Notes) != 1 {
			t.Errorf("%s: notes %v, want %q", tt.name, site.Notes, tt.want)
			continue
		}
		for _, w := range tt.want {
			if !strings.Contains(site.Notes[0].String(), w) {
				t.Errorf("%s: note %q, want %q in it", tt.name, site.Notes[0], w)
			}
		}
	}
}

// folder writes files of the given modes and returns where they are.
func folder(t *testing.T, files map[string]string, modes map[string]os.FileMode) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if mode, ok := modes[name]; ok {
			if err := os.Chmod(path, mode); err != nil { // not held back by the umask
				t.Fatal(err)
			}
		}
	}
	return dir
}

func TestFilesOfASource(t *testing.T) {
	const keys = "    user: watch\n    password_file: secret\n    ca_file: ca.pem\n    certificate_file: cert.pem\n    key_file: key.pem\n"
	text := strings.Replace(siteText, "    topic:", keys+"    topic:", 1)
	text = strings.Replace(text, "tcp://127.0.0.1:1883", "ssl://127.0.0.1:8883", 1)
	all := map[string]string{"site.yaml": text, "secret": "word\n", "ca.pem": "ca", "cert.pem": "cert", "key.pem": "key"}
	tests := []struct {
		name  string
		lack  string
		modes map[string]os.FileMode
		empty string
		want  string // key and a word of the one problem; empty = none
	}{
		{name: "all there", modes: map[string]os.FileMode{"secret": 0o600, "key.pem": 0o400, "ca.pem": 0o644}},
		{name: "group may read", modes: map[string]os.FileMode{"secret": 0o640}},
		{name: "others may read the password", modes: map[string]os.FileMode{"secret": 0o644}, want: "sources[0].password_file: got \"secret\", which others may use (mode 0644)"},
		{name: "others may read the key", modes: map[string]os.FileMode{"key.pem": 0o604}, want: "sources[0].key_file: got \"key.pem\", which others may use (mode 0604)"},
		{name: "group may write the password", modes: map[string]os.FileMode{"secret": 0o660}, want: "mode 0660"},
		{name: "no password file", lack: "secret", want: "sources[0].password_file: got \"secret\", which is not there"},
		{name: "no certificate", lack: "cert.pem", want: "sources[0].certificate_file: got \"cert.pem\", which is not there"},
		{name: "no authority", lack: "ca.pem", want: "sources[0].ca_file: got \"ca.pem\", which is not there"},
		{name: "empty password file", empty: "secret", want: "which is empty"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := folder(t, all, tt.modes)
			if tt.lack != "" {
				os.Remove(filepath.Join(dir, tt.lack))
			}
			if tt.empty != "" {
				os.Truncate(filepath.Join(dir, tt.empty), 0)
			}
			site, err := LoadSite(filepath.Join(dir, "site.yaml"))
			switch problems, _ := err.(Problems); {
			case tt.want == "" && err != nil:
				t.Errorf("%v, want no mistake", err)
			case tt.want != "" && (len(problems) != 1 || !strings.Contains(problems[0].String(), tt.want)):
				t.Errorf("%v, want one problem with %q", err, tt.want)
			case tt.want == "" && site.Sources[0].PasswordFile != filepath.Join(dir, "secret"):
				t.Errorf("password file %q, want it in the site file's folder", site.Sources[0].PasswordFile)
			}
		})
	}
}

func TestASiteTakesPathsFromItsOwnFolder(t *testing.T) {
	_, r2, err := LoadRig("R2")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(siteText, "  - file: R1\n", "  - file: mine.yaml\n  - file: R1\n", 1)
	dir := folder(t, map[string]string{"site.yaml": "data: kept\n" + text, "mine.yaml": string(r2)}, nil)
	site, err := LoadSite(filepath.Join(dir, "site.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if site.Data != filepath.Join(dir, "kept") || site.Rigs[0].Path != filepath.Join(dir, "mine.yaml") || site.Rigs[0].Rig.Name != "R2" || site.Rigs[1].Path != "R1" {
		t.Errorf("data %q, rigs %q %q", site.Data, site.Rigs[0].Path, site.Rigs[1].Path)
	}
}

func TestCheckTellsRigFromSite(t *testing.T) {
	dir := folder(t, map[string]string{"site.yaml": siteText, "half.yaml": "listen: 127.0.0.1:1\n", "none.yaml": "colour: red\n", "x.yaml": "rig: x\nsources: []\n"}, nil)
	first := func(name string) string {
		problems := Check(filepath.Join(dir, name))
		if len(problems) == 0 {
			return ""
		}
		return fmt.Sprint(problems)
	}
	if got := first("site.yaml"); got != "" {
		t.Errorf("a good site gives %s", got)
	}
	if got := first("half.yaml"); !strings.Contains(got, "sources: got nothing") {
		t.Errorf("a site by its listen key gives %s", got)
	}
	for _, name := range []string{"none.yaml", "x.yaml"} {
		if got := first(name); !strings.Contains(got, "reeving: got nothing") {
			t.Errorf("%s gives %s, want it read as a rig file", name, got)
		}
	}
	gone := Check(filepath.Join(dir, "gone.yaml"), "R1")
	if len(gone) != 1 || gone[0].Got != "a file which is not there" {
		t.Errorf("a file that is not there gives %v", gone)
	}
	if twice := Check("../testdata/configs/rig-limits.yaml", "../testdata/configs/site-rigs.yaml"); len(twice) != len(Check("../testdata/configs/site-rigs.yaml")) {
		t.Errorf("a rig file named twice is reported twice: %v", twice)
	}
}

func TestReportAsJSON(t *testing.T) {
	text, err := json.Marshal(Inspect("R1"))
	if err != nil {
		t.Fatal(err)
	}
	if string(text) != `{"problems":[],"notes":[]}` {
		t.Errorf("a good file gives %s", text)
	}
	text, err = json.Marshal(Inspect("../testdata/configs/rig-second.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"problems":[{"file":"../testdata/configs/rig-second.yaml","line":73,"key":"","got":"a second document","want":"one document in a file"}],"notes":[]}`
	if string(text) != want {
		t.Errorf("got  %s\nwant %s", text, want)
	}
}

// TestEdgesOfASite: what just may be, and what just may not.
func TestEdgesOfASite(t *testing.T) {
	const second = "  - {name: b, kind: mqtt, broker: 'tcp://127.0.0.1:1883', topic: 'b/{rig}', channels: {bit_depth: {unit: m}}}\n"
	timed := func(clock string) string {
		return strings.Replace(siteText, "    channels:", "    time: {field: hook_load, clock: "+clock+"}\n    channels:", 1)
	}
	tests := map[string]struct{ text, key string }{
		"two sources at one broker without client ids": {siteText + second, ""},
		"the time's field without a source clock":      {timed("receipt"), ""},
		"the time's field with a source clock":         {timed("source"), "sources[0].channels.hook_load.field"},
		"a range of one value":                         {strings.Replace(siteText, "{unit: kN}", "{unit: kN, range: [1 kN, 1 kN]}", 1), "sources[0].channels.hook_load.range"},
	}
	for name, tt := range tests {
		_, problems := ReadSite("one.yaml", []byte(tt.text))
		if tt.key == "" && len(problems) > 0 || tt.key != "" && (len(problems) != 1 || problems[0].Key != tt.key) {
			t.Errorf("%s gives %v, want problem at %q", name, problems, tt.key)
		}
	}
}

// A folder of rig files is a list of them: each is read, a mistake names its file, and
// what is no rig file is passed over.
func TestFolderOfRigs(t *testing.T) {
	dir := t.TempDir()
	rigs := filepath.Join(dir, "rigs")
	if err := os.MkdirAll(filepath.Join(rigs, "old.yaml"), 0o755); err != nil {
		t.Fatal(err)
	}
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	_, text, err := LoadRig("R1")
	if err != nil {
		t.Fatal(err)
	}
	const many = 300
	for i := range many {
		own, err := Set(text, "rig", fmt.Sprintf("N-%03d", i))
		if err != nil {
			t.Fatal(err)
		}
		write(fmt.Sprintf("rigs/n%03d.yaml", i), string(own))
	}
	write("rigs/notes.txt", "no rig")
	write("rigs/.n000.yaml.swp", "no rig")
	write("site.yaml", "site: test\nrigs:\n  - folder: rigs\n  - file: R1\n"+
		"sources:\n  - name: b\n    kind: mqtt\n    broker: tcp://127.0.0.1:1883\n    topic: h/{rig}\n    channels: {hook_load: {unit: kN}}\n")
	site, err := LoadSite(filepath.Join(dir, "site.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if len(site.Rigs) != many+1 || site.Rigs[7].Rig.Name != "N-007" || site.Rigs[many].Rig.Name != "R1" {
		t.Errorf("%d rigs, want %d in order", len(site.Rigs), many+1)
	}

	twin, _ := Set(text, "rig", "N-000")
	write("rigs/twin.yaml", string(twin))
	write("rigs/wrong.yaml", strings.Replace(string(text), "travelling_mass:", "traveling_mass:", 1))
	words := fmt.Sprint(Check(filepath.Join(dir, "site.yaml")))
	for _, want := range []string{`rigs[0].folder: got a second rig named "N-000", in twin.yaml`, "wrong.yaml:", "travelling_mass"} {
		if !strings.Contains(words, want) {
			t.Errorf("the check lacks %q: %s", want, words)
		}
	}
	for text, want := range map[string]string{
		"folder: none":             `rigs[0].folder: got "none", which is not there, want a folder of rig files`,
		"folder: rigs/old.yaml":    `rigs[0].folder: got "rigs/old.yaml", without any, want a folder of rig files`,
		"{folder: rigs, file: R1}": "a file or a folder, not both",
	} {
		write("site.yaml", "site: test\nrigs:\n  - "+text+"\nsources: []\n")
		if words := fmt.Sprint(Check(filepath.Join(dir, "site.yaml"))); !strings.Contains(words, want) {
			t.Errorf("%s: got %s, want %q", text, words, want)
		}
	}
}

// Channels whose times are compared should be timed by one clock.
func TestTwoClocksInOneRigAreNoted(t *testing.T) {
	const head = "site: test\nrigs: [{file: R1}]\nsources:\n  - name: b\n    kind: mqtt\n    broker: tcp://127.0.0.1:1883\n    topic: h/{rig}\n    channels:\n      hook_load: {unit: kN}\n"
	for channels, want := range map[string]string{
		"      drum_speed: {unit: rpm, topic: 's/{rig}', payload: number}\n":         "two clocks in one rig: hook_load as stamped by the source, drum_speed by the moment of receipt",
		"      drum_speed: {unit: rpm, topic: 's/{rig}'}\n":                          "",
		"      brake_temperature: {unit: degC, topic: 's/{rig}', payload: number}\n": "", // compared with nothing in seconds
	} {
		site, problems := ReadSite("s.yaml", []byte(head+channels))
		if len(problems) > 0 {
			t.Fatal(problems)
		}
		words := fmt.Sprint(site.Notes)
		if (want == "") == strings.Contains(words, "two clocks") || !strings.Contains(words, want) {
			t.Errorf("%s: notes %s, want %q", channels, words, want)
		}
	}
}
