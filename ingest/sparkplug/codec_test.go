package sparkplug

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"

	"google.golang.org/protobuf/proto"

	"hoistward/ingest"
	"hoistward/ingest/npmtest"
	"hoistward/ingest/sparkplug/spb"
)

const golden = "testdata/payloads.jsonl"

// encoded is one payload of the golden file.
type encoded struct {
	Type  string
	Value any
	Hex   string
}

func readGolden(t testing.TB) []encoded {
	f, err := os.Open(golden)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var all []encoded
	for s := bufio.NewScanner(f); s.Scan(); {
		var e encoded
		if err := json.Unmarshal(s.Bytes(), &e); err != nil {
			t.Fatal(err)
		}
		all = append(all, e)
	}
	return all
}

func (e *encoded) bytes(t testing.TB) []byte {
	b, err := hex.DecodeString(e.Hex)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func (e *encoded) datatype(t testing.TB) Type {
	for d := range numTypes {
		if d.String() == e.Type {
			return d
		}
	}
	t.Fatalf("no datatype %q", e.Type)
	return Unknown
}

// want returns what the value must become: as a number, and as an on/off channel.
func (e *encoded) want(t testing.TB) (number, onOff string) {
	switch d := e.datatype(t); {
	case e.Value == nil:
		return "null", "null"
	case d == Boolean && e.Value == true:
		return "wrong type", "1"
	case d == Boolean:
		return "wrong type", "0"
	case d > Boolean:
		return "wrong type", "wrong type"
	}
	x, err := strconv.ParseFloat(fmt.Sprint(e.Value), 64)
	switch {
	case err != nil:
		t.Fatal(err)
	case math.IsNaN(x) || math.IsInf(x, 0):
		return "not a number", "not a number"
	case x == 0 || x == 1:
		return fmt.Sprint(x), fmt.Sprint(x)
	}
	return strconv.FormatFloat(x, 'g', -1, 64), "out of range"
}

// anyNumber maps one channel to the golden file's metric.
func anyNumber(t testing.TB, c ingest.Channel) Options {
	o := nodeOptions(t)
	m := ingest.OwnForm()
	for i := range m.Channels {
		m.Channels[i].Mapped = ingest.Channel(i) == c
	}
	m.Channels[c].Field = "Hoist/Counts"
	o.Mapping = &m
	return o
}

// exact writes a sample of one channel with all its digits.
func exact(v *ingest.Sample, c ingest.Channel) string {
	if x, ok := v.Values[c].Float(); ok {
		return strconv.FormatFloat(x, 'g', -1, 64)
	}
	return v.Values[c].Reason.String()
}

func TestEveryDatatypeAsAnIndependentEncoderWritesIt(t *testing.T) {
	seen := map[Type]bool{}
	for _, e := range readGolden(t) {
		d := e.datatype(t)
		seen[d] = true
		number, onOff := e.want(t)
		for c, want := range map[ingest.Channel]string{ingest.DrumCounts: number, ingest.CrownSaver: onOff} {
			for _, verb := range []string{"NBIRTH", "NDATA"} {
				t.Run(fmt.Sprintf("%s %v as %s in %s", e.Type, e.Value, c, verb), func(t *testing.T) {
					h, err := New(anyNumber(t, c))
					if err != nil {
						t.Fatal(err)
					}
					var got []string
					out := ingest.SinkFuncs{
						OnSample: func(_ string, v *ingest.Sample) {
							if !v.Time.Equal(noon) && verb == "NDATA" {
								t.Errorf("time %v, want noon", v.Time)
							}
							got = append(got, exact(v, c))
						},
						OnReject: func(string, ingest.Reject, string) {},
					}
					if verb == "NDATA" { // its sequence number is 0: the one after 255
						b, err := proto.Marshal(&spb.Payload{Seq: proto.Uint64(255), Metrics: []*spb.Metric{aliased(named("Hoist/Counts", d), 5)}})
						if err != nil {
							t.Fatal(err)
						}
						h.Decode(&ingest.Message{Topic: "spBv1.0/north/NBIRTH/R1", Payload: b, Received: noon}, out)
						got = nil
					}
					h.Decode(&ingest.Message{Topic: "spBv1.0/north/" + verb + "/R1", Payload: e.bytes(t), Received: noon}, out)
					if len(got) != 1 || got[0] != want {
						t.Errorf("got %v, want %s", got, want)
					}
				})
			}
		}
	}
	for d := Int8; d <= Template; d++ {
		if !seen[d] {
			t.Errorf("the golden file has no %s", d)
		}
	}
}

// Array types are not of that encoder; a datatype that nobody has defined is no
// number either.
func TestDatatypesThatAreNoNumberAreRefused(t *testing.T) {
	for d := Unknown; d < numTypes+3; d++ {
		if d >= Int8 && d <= Double {
			continue
		}
		s := newSite(t, anyNumber(t, ingest.DrumCounts))
		e := &edge{s: s, name: "R1"}
		e.birth(integer(named("Hoist/Counts", d), 1))
		reject := "wrong type: drum_counts"
		if d == Unknown || d >= numTypes {
			reject = "unknown datatype: drum_counts"
		}
		s.want("R1 00.000 drum_counts=wrong type", reject)
	}
}

// Two's complement by hand: -12 is 2⁸-12 = 244, 2¹⁶-12 = 65524, 2³²-12, 2⁶⁴-12.
func TestIntegersInEveryWidthAndField(t *testing.T) {
	const no = "wrong type"
	for _, c := range []struct {
		t    Type
		kind kind
		bits uint64
		want string
	}{
		{Int8, intValue, 244, "-12"}, {Int8, intValue, minus12, "-12"}, {Int8, longValue, 1<<64 - 12, "-12"},
		{Int8, intValue, 127, "127"}, {Int8, intValue, 128, "-128"}, {Int8, intValue, 256, no}, {Int8, intValue, minus12 - 200, no},
		{Int8, longValue, 1 << 40, no}, {Int8, doubleValue, 0, no}, {Int8, boolValue, 1, no},
		{Int16, intValue, 65524, "-12"}, {Int16, intValue, minus12, "-12"}, {Int16, intValue, 65536, no}, {Int16, longValue, 65524, "-12"},
		{Int32, intValue, minus12, "-12"}, {Int32, longValue, minus12, "-12"}, {Int32, longValue, 1<<64 - 12, "-12"},
		{Int32, longValue, 1 << 32, no}, {Int32, longValue, 1<<64 - 1<<32, no}, {Int32, intValue, 1 << 31, "-2147483648"},
		{Int64, longValue, 1<<64 - 12, "-12"}, {Int64, longValue, minus12, "4294967284"}, {Int64, intValue, 12, "12"}, {Int64, intValue, minus12, no},
		{UInt8, intValue, 255, "255"}, {UInt8, intValue, 256, no}, {UInt8, longValue, 255, "255"},
		{UInt16, intValue, 65535, "65535"}, {UInt16, intValue, 65536, no},
		{UInt32, intValue, minus12, "4294967284"}, {UInt32, longValue, minus12, "4294967284"}, {UInt32, longValue, 1 << 32, no},
		{UInt64, longValue, 1 << 53, "9007199254740992"}, {UInt64, intValue, 12, "12"}, {UInt64, floatValue, 12, no},
		{Float, doubleValue, math.Float64bits(0.1), "0.1"}, {Double, floatValue, uint64(math.Float32bits(0.5)), "0.5"}, {Double, longValue, 1, no},
		{Boolean, intValue, 1, no}, {DateTime, longValue, 1795521600000, no},
	} {
		m := metric{kind: c.kind, bits: c.bits}
		got := no
		if x, why := m.number(c.t); why == ingest.NoReason {
			got = strconv.FormatFloat(x, 'f', -1, 64)
		}
		if got != c.want {
			t.Errorf("%s from %d in field kind %d: got %s, want %s", c.t, c.bits, c.kind, got, c.want)
		}
	}
}

func needTool(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("HOISTWARD_TOOLS") == "required" {
		t.Fatalf("%s: not found, and HOISTWARD_TOOLS=required", name)
	}
	t.Skipf("%s: not found", name)
	return ""
}

func TestGoldenPayloadsAreWhatTheEncoderMakesToday(t *testing.T) {
	encode := exec.CommandContext(t.Context(), npmtest.Node(t), "encode.js")
	encode.Dir = npmtest.Folder(t, filepath.Join("testdata", "npm"), "encode.js")
	got, err := encode.Output()
	if err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("the encoder makes\n%s\nnot the golden file's\n%s", got, want)
	}
}

func TestSecondReadingIsWhatProtocMakesOfItsSchema(t *testing.T) {
	protoc := needTool(t, "protoc")
	dir := t.TempDir()
	plugin := filepath.Join(dir, "protoc-gen-go")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", plugin, "google.golang.org/protobuf/cmd/protoc-gen-go").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	run := exec.CommandContext(t.Context(), protoc, "--plugin="+plugin, "--go_out="+dir, "--go_opt=paths=source_relative", "sparkplug.proto")
	run.Dir = "spb"
	if out, err := run.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	versions := regexp.MustCompile(`(?m)^// \tprotoc.*\n`)
	read := func(path string) string {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return versions.ReplaceAllString(string(b), "")
	}
	if read(filepath.Join(dir, "sparkplug.pb.go")) != read("spb/sparkplug.pb.go") {
		t.Error("spb/sparkplug.pb.go is not what protoc makes of spb/sparkplug.proto: go generate ./ingest/sparkplug/spb")
	}
}

// typical is a data message of five metrics by alias, as a node sends ten a second.
func typical(t testing.TB) (birth, data []byte) {
	at := proto.Uint64(1795521600000)
	stamp := func(all ...*spb.Metric) []*spb.Metric {
		for _, m := range all {
			m.Timestamp = at
		}
		return all
	}
	names := []string{"Hoist/Hook Load", "Hoist/Block", "Brake/Pressure"}
	var first, then []*spb.Metric
	for i, n := range names {
		first = append(first, aliased(double(named(n, Double), 20), uint64(i)))
		then = append(then, double(byAlias(uint64(i)), 21))
	}
	first = append(first, aliased(integer(named("Hoist/Counts", Int32), 1), 3), aliased(boolean(named("Drive/Engaged", Boolean), true), 4))
	then = append(then, integer(byAlias(3), minus12), boolean(byAlias(4), false))
	var err error
	if birth, err = proto.Marshal(&spb.Payload{Timestamp: at, Seq: proto.Uint64(255), Metrics: stamp(first...)}); err != nil {
		t.Fatal(err)
	}
	if data, err = proto.Marshal(&spb.Payload{Timestamp: at, Seq: proto.Uint64(0), Metrics: stamp(then...)}); err != nil {
		t.Fatal(err)
	}
	return birth, data
}

// sequel returns a way to hand h the data message again and again, each with the
// sequence number that is to come, which stands in its last byte but one if above
// 127.
func sequel(t testing.TB, h *Host, out ingest.Sink) func() {
	birth, data := typical(t)
	h.Decode(&ingest.Message{Topic: "spBv1.0/north/NBIRTH/R1", Payload: birth, Received: noon}, out)
	m := &ingest.Message{Topic: "spBv1.0/north/NDATA/R1", Payload: data, Received: noon}
	n := h.nodes[nodeKey{"north", "R1"}]
	return func() {
		n.next = 0
		h.Decode(m, out)
	}
}

func TestDecodeDoesNotAllocate(t *testing.T) {
	h, err := New(nodeOptions(t))
	if err != nil {
		t.Fatal(err)
	}
	n, sum := 0, 0.0
	var out ingest.Sink = ingest.SinkFuncs{
		OnSample: func(_ string, s *ingest.Sample) { n++; sum += s.Values[ingest.DrumCounts].V },
		OnReject: func(_ string, r ingest.Reject, s string) { t.Error(r, s) },
	}
	next := sequel(t, h, out)
	if a := testing.AllocsPerRun(100, next); a != 0 {
		t.Errorf("%v allocations a message, want none", a)
	}
	if n != 102 || sum != 1-12*101 {
		t.Errorf("%d samples of the sum %v, want 102 of %v", n, sum, 1-12*101)
	}
}

func BenchmarkDecode(b *testing.B) {
	h, err := New(nodeOptions(b))
	if err != nil {
		b.Fatal(err)
	}
	next := sequel(b, h, ingest.SinkFuncs{OnSample: func(string, *ingest.Sample) {}, OnReject: func(string, ingest.Reject, string) {}})
	b.ReportAllocs()
	for b.Loop() {
		next()
	}
}

// The same message through the code that protoc made.
func BenchmarkUnmarshalBeside(b *testing.B) {
	_, data := typical(b)
	var p spb.Payload
	b.ReportAllocs()
	for b.Loop() {
		if err := proto.Unmarshal(data, &p); err != nil {
			b.Fatal(err)
		}
	}
}
