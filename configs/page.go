package configs

import (
	"net"
	"net/netip"
	"slices"
	"strconv"
	"strings"
)

// Page says how people reach the dashboard.
type Page struct {
	CertificateFile string   // PEM, with the chain; empty = the dashboard does no TLS itself
	KeyFile         string   // PEM
	Hosts           []string // names and addresses, besides loopback ones, that browsers reach it by
	BehindProxy     bool     // a proxy does TLS and says who asked
}

const tlsGroup = "tls"

func readPage(root *object) Page {
	var p Page
	if root.has(tlsGroup) {
		o := root.child(tlsGroup, false)
		p.CertificateFile, _ = o.words("certificate_file", true, "a file with the certificate and its chain (PEM)")
		p.KeyFile, _ = o.words("key_file", true, "a file with the key (PEM) that only the monitor may read")
		o.close()
	} else {
		root.ask(tlsGroup)
	}
	p.Hosts = readHosts(root)
	p.BehindProxy = root.truth("behind_proxy")
	if p.BehindProxy && root.has(tlsGroup) {
		root.r.add(root.r.lineOf("behind_proxy"), "behind_proxy", "the key beside tls", "one of them: either the dashboard does TLS, or a proxy does")
	}
	return p
}

func readHosts(root *object) []string {
	if !root.has("hosts") {
		root.ask("hosts")
		return nil
	}
	const want = "names or addresses without scheme and port, such as [doghouse.example, 192.0.2.10]"
	var hosts []string
	for _, m := range root.list("hosts", false, want) {
		text, ok := root.r.text(m.node, m.path, want)
		switch {
		case !ok:
		case !hostName(text):
			root.r.add(m.node.Line, m.path, strconv.Quote(text), want)
		case slices.Contains(hosts, strings.ToLower(text)):
			root.r.add(m.node.Line, m.path, strconv.Quote(text)+" a second time", "each host once")
		default:
			hosts = append(hosts, strings.ToLower(text))
		}
	}
	return hosts
}

// hostName takes an address, or a name of letters, digits and hyphens between dots.
//
// Source: RFC 1123, section 2.1.
func hostName(s string) bool {
	if a, err := netip.ParseAddr(s); err == nil {
		return a.Zone() == ""
	}
	for _, label := range strings.Split(s, ".") {
		if label == "" || len(label) > 63 || label[0] == '-' || label[len(label)-1] == '-' ||
			strings.ContainsFunc(label, func(r rune) bool {
				return r != '-' && (r < '0' || r > '9') && (r < 'a' || r > 'z') && (r < 'A' || r > 'Z')
			}) {
			return false
		}
	}
	return len(s) <= 253
}

// readListen takes addresses of this machine, and others where TLS is done. That there
// are accounts too is seen when the monitor starts: they are no part of the file.
func readListen(o *object, p *Page) string {
	const want = "host:port, such as " + StandardListen
	text, line, ok := o.scalar("listen", false, want)
	if !ok {
		return StandardListen
	}
	host, port, err := net.SplitHostPort(text)
	if err == nil {
		_, err = strconv.ParseUint(port, 10, 16)
	}
	encrypted := o.has(tlsGroup) || p.BehindProxy
	switch {
	case err != nil:
		o.r.add(line, o.at("listen"), strconv.Quote(text), want)
	case loopback(host):
	case !encrypted:
		o.r.add(line, o.at("listen"), strconv.Quote(text),
			"a loopback host such as 127.0.0.1: without the group tls (or behind_proxy: true, where a proxy does it) no other machine may reach the dashboard")
	case len(p.Hosts) == 0 && !o.has("hosts"):
		o.r.add(line, o.at("listen"), strconv.Quote(text)+" without hosts", "the key hosts beside it: the names and addresses that browsers reach the page by")
	case host != "" && !isAddress(host):
		o.r.add(line, o.at("listen"), strconv.Quote(text), "an address before the port, such as 0.0.0.0:8443")
	}
	return text
}

func isAddress(host string) bool {
	_, err := netip.ParseAddr(host)
	return err == nil
}

// checkPage resolves the paths of the dashboard's files and looks at each.
func (f siteFile) checkPage(folder string) {
	f.checkEach(folder, tlsGroup, []named{
		{"certificate_file", &f.site.Page.CertificateFile, false}, {"key_file", &f.site.Page.KeyFile, true},
	})
}
