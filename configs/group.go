package configs

import (
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"time"

	"hoistward/ingest"
)

// Group says by which servers this monitor shares its rigs with others.
type Group struct {
	Member          string   // name of this member, for people
	Servers         []string // URLs, nats:// or tls://
	User            string
	PasswordFile    string
	CAFile          string
	CertificateFile string
	KeyFile         string
	Replicas        int
	Revision        int // of the settings that all members have alike; the higher one counts
	Keep            time.Duration
	LogMegabytes    int
	JournalMB       int
	Leaves          []string // domains of rigs' own servers

	key string // where it stands in the site file
}

// What a site file need not say of its group.
const (
	standardReplicas = 3
	standardLogKeep  = 48 * time.Hour
	standardLogMB    = 8192
	standardLinesMB  = 1024
)

// GroupTopic is the topic that a group's servers take readings from.
const GroupTopic = "hoist/{rig}/readings"

// readGroup reads the group group; without it the monitor is alone.
func readGroup(root *object) *Group {
	if !root.has("group") {
		root.ask("group")
		return nil
	}
	o := root.child("group", false)
	g := &Group{key: o.path, Replicas: standardReplicas, Revision: 1, LogMegabytes: standardLogMB, JournalMB: standardLinesMB}
	g.Member = o.name("member")
	encrypted := g.readServers(o)
	g.User, _ = o.words("user", false, "a user name")
	g.readSecrets(o, encrypted)
	odd := from(1, 5)
	odd.want, odd.holds = "1, 3 or 5", func(n int) bool { return n%2 == 1 }
	whole(o, "replicas", &g.Replicas, false, odd)
	whole(o, "revision", &g.Revision, false, from(1, 1_000_000_000))
	o.duration("keep", &g.Keep, standardLogKeep, between(3600, 366*24*3600, "a time from 1 h to 366 d"))
	whole(o, "log_megabytes", &g.LogMegabytes, false, from(16, 100_000_000))
	whole(o, "journal_megabytes", &g.JournalMB, false, from(1, 100_000_000))
	g.readLeaves(o)
	o.close()
	return g
}

func (g *Group) readServers(o *object) (encrypted bool) {
	const want = "nats://host:port or tls://host:port"
	encrypted = true
	for _, m := range o.list("servers", true, "a list of the cluster's servers, one at least") {
		text, ok := o.r.text(m.node, m.path, want)
		if !ok {
			continue
		}
		u, err := url.Parse(text)
		bad := func(got, want string) { o.r.add(m.node.Line, m.path, got, want) }
		switch {
		case err != nil || u.Scheme != "nats" && u.Scheme != "tls" || u.Hostname() == "" || !goodPort(u.Port()):
			bad(strconv.Quote(text), want)
		case u.User != nil:
			bad("a user in the address", "keys user and password_file for that")
		case strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "":
			bad(strconv.Quote(text), want+" and nothing after it")
		}
		if err == nil && u.Scheme == "nats" {
			encrypted = false
		}
		g.Servers = append(g.Servers, text)
	}
	return encrypted
}

func (g *Group) readSecrets(o *object, encrypted bool) {
	if o.has("password") {
		o.ask("password")
		o.r.add(o.r.lineOf(o.at("password")), o.at("password"), "a password in the file",
			"password_file: a file that only the monitor may read")
	}
	for _, f := range []struct {
		key string
		dst *string
	}{{"password_file", &g.PasswordFile}, {"ca_file", &g.CAFile}, {"certificate_file", &g.CertificateFile}, {"key_file", &g.KeyFile}} {
		*f.dst, _ = o.words(f.key, false, "a file")
		if *f.dst != "" && f.key != "password_file" && !encrypted {
			o.r.add(o.r.lineOf(o.at(f.key)), o.at(f.key), "the key", "it only where all servers are tls://")
		}
	}
	for _, pair := range [][2]string{{"certificate_file", "key_file"}, {"key_file", "certificate_file"}, {"user", "password_file"}, {"password_file", "user"}} {
		if o.has(pair[0]) && !o.has(pair[1]) {
			o.r.add(o.r.lineOf(o.at(pair[0])), o.at(pair[0]), "the key without "+pair[1], "both or neither")
		}
	}
}

func (g *Group) readLeaves(o *object) {
	if !o.has("leaves") {
		o.ask("leaves")
		return
	}
	const want = "a domain: letters, digits, dashes and underscores"
	for _, m := range o.list("leaves", false, "a list of the domains of rigs' own servers") {
		text, ok := o.r.text(m.node, m.path, want)
		if ok && (!nameForm.MatchString(text) || strings.Contains(text, ".")) {
			o.r.add(m.node.Line, m.path, strconv.Quote(text), want)
		}
		g.Leaves = append(g.Leaves, text)
	}
}

// checkGroup refuses what members of a group cannot do: readings come out of the group's
// log, which has one form and one topic, and what is kept is kept by the servers.
func (f siteFile) checkGroup() {
	g := f.site.Group
	if g == nil {
		return
	}
	bad := func(key, got, want string) { f.r.add(f.r.lineOf(key), key, got, want) }
	if n := len(f.site.Sources); n != 1 {
		bad("sources", fmt.Sprintf("%d sources", n), "one with a group: what the group's servers take by MQTT")
		return
	}
	s := &f.site.Sources[0]
	switch {
	case s.Kind != "mqtt":
		bad(s.key+".kind", strconv.Quote(s.Kind), "mqtt with a group")
	case s.Sparkplug != nil || s.Payload != ingest.JSON:
		bad(s.key+".payload", strconv.Quote(s.Payload.String()), "json with a group")
	case s.Topic != GroupTopic || len(s.Mapping.Topics) > 1:
		bad(s.key+".topic", strconv.Quote(s.Topic), GroupTopic+" with a group, for all channels")
	case s.Mapping.RigField != "":
		bad(s.key+".rig_field", strconv.Quote(s.Mapping.RigField), "none with a group: its servers share rigs out by their topics")
	case s.QoS != 1:
		bad(s.key+".qos", "0", "1 with a group: what is sent with 0 is not kept")
	}
	if f.site.Forward != nil {
		bad("historian", "a historian", "none with a group: members keep no recordings to forward")
	}
	n := f.site.Notify
	if n.Broker != nil || len(n.Webhooks) > 0 || n.Annunciator != nil {
		bad("notify", "receivers", "none with a group: follow the topics journal/+ of its servers")
	}
}

// checkGroupRigs refuses names that are no part of a subject.
func (f siteFile) checkGroupRigs() {
	if f.site.Group == nil {
		return
	}
	for i := range f.site.Rigs {
		r := &f.site.Rigs[i]
		if r.Rig != nil && strings.Contains(r.Rig.Name, ".") {
			f.r.add(f.r.lineOf(r.key), r.key, fmt.Sprintf("the rig %q", r.Rig.Name), "names without dots with a group")
		}
	}
}

// checkGroupFiles resolves the paths of the group's files and looks at each.
func (f siteFile) checkGroupFiles(folder string) {
	if g := f.site.Group; g != nil {
		f.checkEach(folder, g.key, []named{
			{"password_file", &g.PasswordFile, true}, {"key_file", &g.KeyFile, true},
			{"ca_file", &g.CAFile, false}, {"certificate_file", &g.CertificateFile, false},
		})
	}
}
