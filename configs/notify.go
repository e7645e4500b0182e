package configs

import (
	"fmt"
	"net/url"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// Notify is where alarms go besides the page.
type Notify struct {
	SourceBrokers bool    // to the brokers of the site's sources
	Broker        *Source // to this one; the parts about a broker alone are filled
	Webhooks      []Webhook
	Annunciator   *Annunciator  // nil = none
	Keep          time.Duration // what waited longer is passed over
}

// Webhook is a receiver of events over HTTP.
type Webhook struct {
	Name       string
	URL        string
	SecretFile string
	CAFile     string
	Priority   string   // the least that is sent: "none" = every event
	Rigs       []string // empty = all
	Timeout    time.Duration

	key string
}

// Annunciator is a command that is run for each new alarm.
type Annunciator struct {
	Command  []string // program and arguments
	Priority string   // the least: "high" or "emergency"
	Timeout  time.Duration
	AtOnce   int

	key string
}

const (
	standardKeep    = 72 * time.Hour
	standardAttempt = 10 * time.Second
	standardAtOnce  = 2
)

func readNotify(o *object) Notify {
	n := Notify{SourceBrokers: true, Keep: standardKeep}
	if !o.has("notify") {
		o.ask("notify")
		return n
	}
	group := o.child("notify", false)
	readOwnBroker(group, &n)
	names := map[string]bool{"annunciator": true, "mqtt": true}
	if group.has("webhooks") {
		for _, m := range group.list("webhooks", false, "a list of receivers, one at least") {
			one := o.r.mapping(m, m.node.Line)
			w := readWebhook(one)
			w.key = m.path
			if names[w.Name] || strings.HasPrefix(w.Name, "mqtt-") {
				o.r.add(o.r.lineOf(one.at("name")), one.at("name"), strconv.Quote(w.Name)+", which is taken", "one name a receiver; not annunciator, mqtt or mqtt-...")
			}
			names[w.Name] = true
			n.Webhooks = append(n.Webhooks, w)
		}
	} else {
		group.ask("webhooks")
	}
	n.Annunciator = readAnnunciator(group)
	group.duration("keep", &n.Keep, standardKeep, between(3600, 30*24*3600, "a time from 1 h to 720 h"))
	group.close()
	return n
}

// readOwnBroker reads "off", or another broker than those of the sources.
func readOwnBroker(group *object, n *Notify) {
	const want = "off, or the keys of a broker: broker, client_id, user, password_file, ca_file, certificate_file, key_file"
	node, ok := group.take("mqtt", false, want)
	if !ok {
		return
	}
	n.SourceBrokers = false
	at := group.at("mqtt")
	if node.Kind != yaml.MappingNode {
		if text, ok := group.r.text(node, at, want); ok && text != "off" {
			group.r.add(node.Line, at, strconv.Quote(text), want)
		}
		return
	}
	o := group.r.mapping(item{at, node}, group.r.lineOf(at))
	s := Source{Name: "mqtt", Kind: "mqtt", key: at}
	encrypted := false
	s.Broker, encrypted = readBroker(o)
	s.ClientID, _ = o.words("client_id", false, "a client id")
	s.User, _ = o.words("user", false, "a user name")
	readSecrets(o, &s, encrypted)
	o.close()
	n.Broker = &s
}

func readWebhook(o *object) Webhook {
	w := Webhook{Timeout: standardAttempt, Priority: "none"}
	w.Name = o.name("name")
	w.URL = readHook(o)
	w.SecretFile, _ = o.words("secret_file", true, "a file with the secret that requests are signed with, 16 bytes or more in one line")
	w.CAFile, _ = o.words("ca_file", false, "a file")
	words := []string{"none", "low", "medium", "high", "emergency"}
	if i, ok := o.choice("priority", false, words...); ok {
		w.Priority = words[i]
	}
	if o.has("rigs") {
		for _, m := range o.list("rigs", false, "a list of rigs of this site") {
			if name, ok := o.r.text(m.node, m.path, "a rig's name"); ok {
				w.Rigs = append(w.Rigs, name)
			}
		}
	} else {
		o.ask("rigs")
	}
	o.duration("timeout", &w.Timeout, standardAttempt, between(0.5, 60, "a time from 500 ms to 60 s"))
	o.close()
	return w
}

// readHook takes https, and http to this machine alone: what is sent names rigs and
// persons.
func readHook(o *object) string {
	const want = "https://host/path, or http:// to this machine"
	text, line, ok := o.scalar("url", true, want)
	if !ok {
		return ""
	}
	u, err := url.Parse(text)
	switch {
	case err != nil || u.Hostname() == "" || u.Scheme != "https" && u.Scheme != "http":
		o.r.add(line, o.at("url"), strconv.Quote(text), want)
	case u.User != nil:
		o.r.add(line, o.at("url"), "a user in the address", "requests are signed with the secret of secret_file instead")
	case u.Scheme == "http" && !loopback(u.Hostname()):
		o.r.add(line, o.at("url"), strconv.Quote(u.Scheme+"://"+u.Host), want)
	case u.Port() != "" && !goodPort(u.Port()):
		o.r.add(line, o.at("url"), strconv.Quote(text), want)
	}
	return text
}

func goodPort(s string) bool {
	n, err := strconv.ParseUint(s, 10, 16)
	return err == nil && n > 0
}

func readAnnunciator(group *object) *Annunciator {
	if !group.has("annunciator") {
		group.ask("annunciator")
		return nil
	}
	o := group.child("annunciator", false)
	a := &Annunciator{Priority: "high", Timeout: standardAttempt, AtOnce: standardAtOnce, key: o.path}
	for _, m := range o.list("command", true, "a list: the program and its arguments; no shell is between") {
		if text, ok := o.r.text(m.node, m.path, "a program or an argument"); ok {
			a.Command = append(a.Command, text)
		}
	}
	words := []string{"high", "emergency"}
	if i, ok := o.choice("priority", false, words...); ok {
		a.Priority = words[i]
	}
	o.duration("timeout", &a.Timeout, standardAttempt, between(0.1, 300, "a time from 100 ms to 5 min"))
	whole(o, "at_once", &a.AtOnce, false, from(1, 16))
	o.close()
	return a
}

// checkNotify resolves the paths of what alarms go by, and looks at what they name.
func (f siteFile) checkNotify(folder string) {
	n := &f.site.Notify
	if n.Broker != nil {
		f.checkFiles(folder, n.Broker)
	}
	for i := range n.Webhooks {
		w := &n.Webhooks[i]
		f.checkFile(folder, w.key+".secret_file", &w.SecretFile, true)
		f.checkFile(folder, w.key+".ca_file", &w.CAFile, false)
		for j, rig := range w.Rigs {
			if !slices.ContainsFunc(f.site.Rigs, func(r RigFile) bool { return r.Rig != nil && r.Rig.Name == rig }) {
				key := fmt.Sprintf("%s.rigs[%d]", w.key, j)
				f.r.add(f.r.lineOf(key), key, strconv.Quote(rig), "a rig of this site")
			}
		}
	}
	if a := n.Annunciator; a != nil && len(a.Command) > 0 {
		written := a.Command[0]
		if strings.ContainsRune(written, '/') {
			a.Command[0] = absolute(beside(folder, written))
		}
		if _, err := exec.LookPath(a.Command[0]); err != nil {
			key := a.key + ".command[0]"
			f.r.add(f.r.lineOf(key), key, strconv.Quote(written)+", which is not there or may not be run", "a program of this machine")
		}
	}
}

// absolute returns path from the root: a program without a slash is looked for
// elsewhere.
func absolute(path string) string {
	if abs, err := filepath.Abs(path); err == nil {
		return abs
	}
	return path
}

func (f siteFile) checkFile(folder, key string, path *string, secret bool) {
	if *path == "" {
		return
	}
	written := *path
	*path = beside(folder, written)
	if got, want := lookAt(*path, secret); got != "" {
		f.r.add(f.r.lineOf(key), key, strconv.Quote(written)+", "+got, want)
	}
}
