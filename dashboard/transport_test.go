package dashboard_test

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"os"
	"regexp"
	"testing"

	"hoistward/dashboard"
)

// A compressed asset is the asset, and a tag is answered with 304 in the form that it
// was given for.
func TestAssetsAreCompressedAndTagged(t *testing.T) {
	s := dashboard.New(dashboard.Options{Rigs: []string{rigName}})
	want, err := os.ReadFile("assets/cabin.css")
	if err != nil {
		t.Fatal(err)
	}
	tags := map[string]bool{}
	for accept, zipped := range map[string]bool{"": false, "gzip": true, "br, gzip;q=0.8": true, "gzip;q=0": false, "identity": false, "*": true, "GZIP ; q=1": true, "deflate": false} {
		w := ask(t, s, "GET", "/assets/cabin.css", "", "Accept-Encoding", accept)
		got := w.Body.Bytes()
		if (w.Header().Get("Content-Encoding") == "gzip") != zipped || w.Header().Get("Vary") != "Accept-Encoding" {
			t.Errorf("accept %q: coding %q, vary %q, want compressed %v", accept, w.Header().Get("Content-Encoding"), w.Header().Get("Vary"), zipped)
			continue
		}
		if zipped {
			z, err := gzip.NewReader(bytes.NewReader(got))
			if err != nil {
				t.Fatal(err)
			}
			if got, err = io.ReadAll(z); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(got, want) {
			t.Errorf("accept %q: %d bytes, want the file's %d", accept, len(got), len(want))
		}
		tag := w.Header().Get("ETag")
		tags[tag] = true
		if again := ask(t, s, "GET", "/assets/cabin.css", "", "Accept-Encoding", accept, "If-None-Match", tag); again.Code != http.StatusNotModified || again.Body.Len() != 0 {
			t.Errorf("accept %q: the same tag answers %d with %d bytes", accept, again.Code, again.Body.Len())
		}
	}
	if len(tags) != 2 {
		t.Errorf("%d tags for two forms: %v", len(tags), tags)
	}
	if w := ask(t, s, "GET", "/assets/cabin.css", "", "If-None-Match", `"other"`); w.Code != 200 {
		t.Errorf("another tag answers %d", w.Code)
	}
}

// pageLimit is the most that one page may weigh in all, in bytes.
const pageLimit = 300_000

// A page, with everything that it leads to, stays light even where nothing is compressed.
func TestPageWeight(t *testing.T) {
	s := dashboard.New(dashboard.Options{Rigs: []string{rigName}})
	for _, page := range []string{"/cabin/" + rigName, "/"} {
		plain := weigh(t, s, page, "identity")
		zipped := weigh(t, s, page, "gzip")
		t.Logf("%s: %d bytes, %d compressed", page, plain, zipped)
		if plain >= pageLimit || zipped >= plain {
			t.Errorf("%s weighs %d bytes, %d compressed, want under %d, and less when compressed", page, plain, zipped, pageLimit)
		}
	}
}

var leadsTo = regexp.MustCompile(`(?:src|href)="(/assets/[^"]*)"|(?:from|import)\s*\(?\s*"\./([^"]*)"`)

// weigh adds up a page and all that it and its scripts lead to.
func weigh(t *testing.T, s *dashboard.Server, page, accept string) (sum int) {
	t.Helper()
	seen := map[string]bool{}
	todo := []string{page}
	for len(todo) > 0 {
		path := todo[0]
		todo = todo[1:]
		if seen[path] {
			continue
		}
		seen[path] = true
		text := ask(t, s, "GET", path, "", "Accept-Encoding", "identity")
		if text.Code != 200 {
			t.Fatalf("%s answers %d", path, text.Code)
		}
		sum += ask(t, s, "GET", path, "", "Accept-Encoding", accept).Body.Len()
		for _, m := range leadsTo.FindAllStringSubmatch(text.Body.String(), -1) {
			if m[1] != "" {
				todo = append(todo, m[1])
			} else {
				todo = append(todo, "/assets/"+m[2])
			}
		}
	}
	return sum
}
