package configs

import (
	"net/url"
	"strconv"
	"strings"
	"time"
)

// Historian says where recordings are forwarded to as line protocol.
type Historian struct {
	URL          string // of the server's root, http:// or https://
	Org          string
	Bucket       string
	TokenFile    string // either it, or User and PasswordFile, or none
	User         string
	PasswordFile string
	CAFile       string
	Interval     time.Duration // between looks at the recordings
	Batch        int           // points in one request
	Rate         int           // points a second at most
	BehindAfter  time.Duration // older than this is behind

	key string // where it stands in the site file
}

// What a site file need not say of its historian.
const (
	standardForward = time.Second
	standardPoints  = 5000
	standardRate    = 20000
	standardLag     = 5 * time.Minute
)

// readHistorian reads the group historian; without it nothing is forwarded.
func readHistorian(root *object) *Historian {
	if !root.has("historian") {
		root.ask("historian")
		return nil
	}
	o := root.child("historian", false)
	h := &Historian{key: o.path, Batch: standardPoints, Rate: standardRate}
	encrypted := h.readURL(o)
	h.Org, _ = o.words("org", false, "an organization")
	h.Bucket, _ = o.words("bucket", true, "a bucket, or a database of InfluxDB 1.8 as database or database/retention-policy")
	h.readSecrets(o, encrypted)
	o.duration("interval", &h.Interval, standardForward, between(0.1, 3600, "a time from 100 ms to 1 h"))
	whole(o, "batch", &h.Batch, false, from(1, 50000))
	whole(o, "rate", &h.Rate, false, from(100, 1_000_000))
	o.duration("behind_after", &h.BehindAfter, standardLag, between(10, 24*3600, "a time from 10 s to 24 h"))
	o.close()
	return h
}

// readURL tells whether the way to the historian is encrypted, or not known.
func (h *Historian) readURL(o *object) bool {
	const want = "http://host:port or https://host"
	text, line, ok := o.scalar("url", true, want)
	if !ok {
		return true
	}
	h.URL = text
	u, err := url.Parse(text)
	bad := func(got, want string) { o.r.add(line, o.at("url"), got, want) }
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "":
		bad(strconv.Quote(text), want)
		return true
	case u.User != nil:
		bad("a user in the address", "keys user and password_file for that")
	case u.RawQuery != "" || u.Fragment != "" || strings.HasSuffix(u.Path, "/write"):
		bad(strconv.Quote(text), want+", the root of the server: the path of writes is added")
	}
	return u.Scheme == "https"
}

func (h *Historian) readSecrets(o *object, encrypted bool) {
	for _, key := range []string{"token", "password"} {
		if o.has(key) {
			o.ask(key)
			o.r.add(o.r.lineOf(o.at(key)), o.at(key), "a "+key+" in the file", key+"_file: a file that only the monitor may read")
		}
	}
	h.TokenFile, _ = o.words("token_file", false, "a file")
	h.User, _ = o.words("user", false, "a user name")
	h.PasswordFile, _ = o.words("password_file", false, "a file")
	h.CAFile, _ = o.words("ca_file", false, "a file")
	at := func(key, got, want string) { o.r.add(o.r.lineOf(o.at(key)), o.at(key), got, want) }
	switch {
	case o.has("user") && !o.has("password_file"):
		at("user", "the key without password_file", "both or neither")
	case o.has("password_file") && !o.has("user"):
		at("password_file", "the key without user", "both or neither")
	case o.has("token_file") && o.has("user"):
		at("user", "the key beside token_file", "one of them")
	}
	if o.has("ca_file") && !encrypted {
		at("ca_file", "the key", "it only with an https:// url")
	}
}

// noteSecret notes a token that goes over a network unencrypted.
func (h *Historian) noteSecret(r *reader) []Note {
	if h == nil || h.TokenFile == "" && h.User == "" || !strings.HasPrefix(h.URL, "http://") {
		return nil
	}
	u, err := url.Parse(h.URL)
	if err != nil || loopback(u.Hostname()) {
		return nil
	}
	return []Note{{r.file, r.lineOf(h.key + ".url"), "the token or password goes to the historian unencrypted: whoever sees the network may write there; https:// keeps it"}}
}
