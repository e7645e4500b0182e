package dashboard

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"io/fs"
	"net/http"
	"path"
	"strconv"
	"strings"
	"sync"
)

// Kinds of files that are served from assets; the pages are not: they are templates.
var assetKinds = map[string]string{
	".mjs": "text/javascript; charset=utf-8",
	".js":  "text/javascript; charset=utf-8",
	".css": "text/css; charset=utf-8",
	".svg": "image/svg+xml",
}

// served is one file as it goes out.
type served struct {
	kind, tag     string
	plain, zipped []byte // zipped is nil where it would not be smaller
}

// servedAssets are all of them, by their path under assets.
var servedAssets = sync.OnceValue(func() map[string]*served {
	all := map[string]*served{}
	err := fs.WalkDir(assets, "assets", func(name string, d fs.DirEntry, err error) error {
		kind := assetKinds[path.Ext(name)]
		if err != nil || d.IsDir() || kind == "" {
			return err
		}
		text, err := assets.ReadFile(name)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(text)
		f := &served{kind: kind, tag: `"` + hex.EncodeToString(sum[:12]) + `"`, plain: text}
		if z := zip(text); len(z) < len(text) {
			f.zipped = z
		}
		all[strings.TrimPrefix(name, "assets/")] = f
		return nil
	})
	if err != nil {
		panic("dashboard: embedded assets: " + err.Error()) // the program was built wrongly
	}
	return all
})

func zip(text []byte) []byte {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err == nil {
		_, err = z.Write(text)
	}
	if err == nil {
		err = z.Close()
	}
	if err != nil {
		panic("dashboard: gzip to memory: " + err.Error())
	}
	return b.Bytes()
}

// accepts tells whether the peer takes gzip (RFC 9110, section 12.5.3).
func accepts(r *http.Request) bool {
	for _, part := range strings.Split(strings.Join(r.Header.Values("Accept-Encoding"), ","), ",") {
		coding, weight, _ := strings.Cut(part, ";")
		if coding = strings.ToLower(strings.TrimSpace(coding)); coding != "gzip" && coding != "x-gzip" && coding != "*" {
			continue
		}
		key, value, weighted := strings.Cut(strings.TrimSpace(weight), "=")
		q, err := strconv.ParseFloat(strings.TrimSpace(value), 64)
		return !weighted || !strings.EqualFold(strings.TrimSpace(key), "q") || err == nil && q > 0
	}
	return false
}

// asset serves one embedded file. The tag of the compressed form differs, as RFC 9110,
// section 8.8.3.3, asks of a strong one.
func (s *Server) asset(w http.ResponseWriter, r *http.Request) {
	f := servedAssets()[r.PathValue("file")]
	if f == nil {
		http.NotFound(w, r)
		return
	}
	text, tag := f.plain, f.tag
	h := w.Header()
	h.Set("Vary", "Accept-Encoding")
	if f.zipped != nil && accepts(r) {
		text, tag = f.zipped, strings.TrimSuffix(f.tag, `"`)+`-gzip"`
		h.Set("Content-Encoding", "gzip")
	}
	h.Set("Cache-Control", "no-cache") // ask each time: a page must not run last month's script
	h.Set("ETag", tag)
	if asked := r.Header.Get("If-None-Match"); strings.Contains(asked, tag) {
		h.Del("Content-Encoding")
		w.WriteHeader(http.StatusNotModified)
		return
	}
	h.Set("Content-Type", f.kind)
	h.Set("Content-Length", strconv.Itoa(len(text)))
	_, _ = w.Write(text) // the peer is gone: nobody to tell
}

// writeZipped is writeJSON for an answer that is large.
func writeZipped(w http.ResponseWriter, r *http.Request, v any) {
	text, err := json.Marshal(v)
	if err != nil || !accepts(r) {
		writeJSON(w, http.StatusOK, v)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Encoding", "gzip")
	w.Header().Set("Vary", "Accept-Encoding")
	_, _ = w.Write(zip(text)) // the peer is gone: nobody to tell
}
