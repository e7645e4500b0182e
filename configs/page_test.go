package configs

import (
	"os"
	"slices"
	"strings"
	"testing"
)

// Who may reach the page, as a site file says it.
func TestPage(t *testing.T) {
	const tls = "tls: {certificate_file: page.pem, key_file: page.key}\n"
	for _, x := range []struct{ name, text, want string }{
		{"TLS beyond this machine", "listen: 0.0.0.0:8443\nhosts: [doghouse.example, 192.0.2.10, '2001:db8::1']\n" + tls, ""},
		{"every address", "listen: ':8443'\nhosts: [doghouse.example]\n" + tls, ""},
		{"a proxy", "listen: 10.0.0.5:8080\nhosts: [doghouse.example]\nbehind_proxy: true\n", ""},
		{"a proxy on this machine", "behind_proxy: true\n", ""},
		{"TLS on this machine", tls, ""},
		{"in the clear", "listen: 0.0.0.0:8443\nhosts: [doghouse.example]\n", "without the group tls"},
		{"no hosts", "listen: 0.0.0.0:8443\n" + tls, "the key hosts beside it"},
		{"a name to listen on", "listen: doghouse.example:8443\nhosts: [doghouse.example]\n" + tls, "an address before the port"},
		{"both", "behind_proxy: true\n" + tls, "one of them"},
		{"half of a pair", "tls: {certificate_file: page.pem}\n", "tls.key_file: got nothing"},
		{"a host with a port", "hosts: ['doghouse.example:8443']\n", "without scheme and port"},
		{"a host with a scheme", "hosts: ['https://doghouse.example']\n", "without scheme and port"},
		{"a host of nothing", "hosts: ['']\n", "without scheme and port"},
		{"a wildcard", "hosts: ['*.example']\n", "without scheme and port"},
		{"a host twice", "hosts: [doghouse.example, DOGHOUSE.example]\n", "a second time"},
		{"a word for yes", "behind_proxy: perhaps\n", "behind_proxy"},
	} {
		_, problems := ReadSite("one.yaml", []byte(x.text+siteText))
		if text := Problems(problems).Error(); (len(problems) == 0) != (x.want == "") || !strings.Contains(text, x.want) {
			t.Errorf("%s: %v, want %q", x.name, problems, x.want)
		}
	}
	site, _ := ReadSite("one.yaml", []byte("listen: 0.0.0.0:8443\nhosts: [DOGHOUSE.example]\n"+tls+siteText))
	if !slices.Equal(site.Page.Hosts, []string{"doghouse.example"}) || site.Page.CertificateFile != "page.pem" || site.Page.KeyFile != "page.key" {
		t.Errorf("%+v", site.Page)
	}
}

// The page's key is a secret like any: others may not read it.
func TestThePagesKeyIsPrivate(t *testing.T) {
	dir := folder(t, map[string]string{"site.yaml": "tls: {certificate_file: page.pem, key_file: page.key}\n" + siteText, "page.pem": "x", "page.key": "x"}, nil)
	for mode, want := range map[os.FileMode]string{0o600: "", 0o644: "tls.key_file: got \"page.key\", which others may use (mode 0644)"} {
		if err := os.Chmod(dir+"/page.key", mode); err != nil {
			t.Fatal(err)
		}
		_, err := LoadSite(dir + "/site.yaml")
		got := ""
		if err != nil {
			got = err.Error()
		}
		if strings.Contains(got, "page.key") != (want != "") || !strings.Contains(got, want) {
			t.Errorf("mode %04o: %v, want %q", mode, err, want)
		}
	}
}
