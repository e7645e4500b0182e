package configs

import (
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"hoistward/ingest"
)

// OwnNames are what the monitor calls parts of itself where it tells of links: a source
// of such a name would be taken for one.
var OwnNames = []string{"recorder", "clock", "notify", "historian", "intake", "space"}

const standardQuiet = 3 * time.Second

var quietTime = between(0.1, 3600, "a time from 100 ms to 1 h")

func readSource(o *object) Source {
	s := Source{QoS: 1, QuietAfter: standardQuiet}
	s.Name = o.name("name")
	if slices.Contains(OwnNames, s.Name) {
		at := o.at("name")
		o.r.add(o.r.lineOf(at), at, strconv.Quote(s.Name), "a name that the monitor does not use itself: none of "+strings.Join(OwnNames, ", "))
	}
	kinds := []string{"mqtt", "wits"}
	if i, ok := o.choice("kind", true, kinds...); ok {
		s.Kind = kinds[i]
	}
	if s.Kind == "wits" {
		readWITS(o, &s)
		o.close()
		return s
	}
	encrypted := false
	s.Broker, encrypted = readBroker(o)
	s.ClientID, _ = o.words("client_id", false, "a client id")
	s.User, _ = o.words("user", false, "a user name")
	readSecrets(o, &s, encrypted)
	s.Payload = readPayload(o, ingest.JSON)
	if s.Payload == ingest.Sparkplug {
		s.Sparkplug = readSparkplug(o)
	} else {
		o.refuse("it only with payload: sparkplug", "sparkplug")
		o.ask("sparkplug")
		s.Topic = readTopic(o, false)
	}
	whole(o, "qos", &s.QoS, false, from(0, 1))
	o.duration("quiet_after", &s.QuietAfter, standardQuiet, quietTime)
	stamps := o.child("time", false)
	if s.Sparkplug != nil {
		stamps.refuse("none with payload sparkplug: each metric has its time", "field")
	}
	readTime(stamps, &s.Mapping)
	readRigField(o, &s)
	readChannels(o.child("channels", true), &s)
	readLines(o, &s)
	if s.Topic == "" && !o.has("topic") && s.Sparkplug == nil {
		o.needTopic(&s)
	}
	o.close()
	return s
}

// readBroker returns the broker's URL and whether the way to it is encrypted. A
// broker that could not be read counts as encrypted, so that one mistake does not
// make others.
func readBroker(o *object) (string, bool) {
	const want = "tcp://host:port or ssl://host:port"
	text, line, ok := o.scalar("broker", true, want)
	if !ok {
		return "", true
	}
	at := o.at("broker")
	u, err := url.Parse(text)
	if err != nil {
		o.r.add(line, at, strconv.Quote(text), want)
		return "", true
	}
	port, portErr := strconv.ParseUint(u.Port(), 10, 16)
	switch {
	case u.User != nil:
		o.r.add(line, at, "a user in the address", "keys user and password_file for that")
	case u.Scheme != "tcp" && u.Scheme != "ssl":
		o.r.add(line, at, strconv.Quote(text), want)
	case u.Hostname() == "" || portErr != nil || port == 0:
		o.r.add(line, at, strconv.Quote(text), want)
	case strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "":
		o.r.add(line, at, strconv.Quote(text), want+" and nothing after it")
	}
	return text, u.Scheme != "tcp"
}

func readSecrets(o *object, s *Source, encrypted bool) {
	if o.has("password") {
		o.ask("password")
		o.r.add(o.r.lineOf(o.at("password")), o.at("password"), "a password in the file",
			"password_file: a file that only the monitor may read")
	}
	files := []struct {
		key string
		dst *string
	}{
		{"password_file", &s.PasswordFile},
		{"ca_file", &s.CAFile}, {"certificate_file", &s.CertificateFile}, {"key_file", &s.KeyFile},
	}
	for _, f := range files {
		*f.dst, _ = o.words(f.key, false, "a file")
		if *f.dst != "" && f.key != "password_file" && !encrypted {
			o.r.add(o.r.lineOf(o.at(f.key)), o.at(f.key), "the key", "it only with an ssl:// broker")
		}
	}
	needs := func(key, other string) {
		if o.has(key) && !o.has(other) {
			o.r.add(o.r.lineOf(o.at(key)), o.at(key), "the key without "+other, "both or neither")
		}
	}
	needs("certificate_file", "key_file")
	needs("key_file", "certificate_file")
	if o.has("password_file") && !o.has("user") {
		o.r.add(o.r.lineOf(o.at("password_file")), o.at("password_file"), "the key without user",
			"user as well: the protocol knows no password alone")
	}
}

// rigLevel is the topic level that stands for the rig's name.
const rigLevel = "{rig}"

// alarmTopic is where the monitor itself publishes.
const alarmTopic = "hoist/{rig}/alarms"

const wantTopic = "a topic with {rig} as one whole level, such as hoist/{rig}/readings"

func readTopic(o *object, required bool) string {
	const want = wantTopic
	text, line, ok := o.scalar("topic", required, want)
	if !ok {
		return ""
	}
	bad := func(got, want string) { o.r.add(line, o.at("topic"), strconv.Quote(text)+got, want) }
	levels, rigs := strings.Split(text, "/"), 0
	for _, level := range levels {
		if level == rigLevel {
			rigs++
		}
	}
	unfit := func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) || r == unicode.ReplacementChar }
	rest := strings.ReplaceAll(text, rigLevel, "")
	switch {
	case strings.ContainsAny(text, "+#"):
		bad("", "no + and no #: "+want)
	case strings.ContainsFunc(text, unfit):
		bad("", "no spaces: "+want)
	case slices.Contains(levels, ""):
		bad("", "no empty level: "+want)
	case rigs != 1 || strings.ContainsAny(rest, "{}"):
		bad("", want)
	case strings.HasPrefix(text, "$"):
		bad("", "no topic of the broker's own ($...)")
	case text == alarmTopic || text == alarmTopic+"/events":
		bad(", where the monitor itself publishes", want)
	}
	return text
}
