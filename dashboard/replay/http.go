package replay

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"

	"hoistward/dashboard"
)

// maxBody is the most that a request's body may hold.
const maxBody = 8 << 10 // bytes

// Handler answers the routes below /api/replay that package dashboard's table has.
func (d *Desk) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /api/replay/recordings", d.listRecordings)
	mux.HandleFunc("GET /api/replay/keys", d.listKeys)
	mux.HandleFunc("POST /api/replay/runs", d.startRun)
	mux.HandleFunc("GET /api/replay/runs/{run}", d.of(d.showRun))
	mux.HandleFunc("DELETE /api/replay/runs/{run}", d.of(d.endRun))
	mux.HandleFunc("GET /api/replay/runs/{run}/series", d.of(d.series))
	mux.HandleFunc("GET /api/replay/runs/{run}/frames", d.of(d.frames))
	mux.HandleFunc("GET /api/replay/runs/{run}/table.csv", d.of(d.csv))
	mux.HandleFunc("GET /api/replay/runs/{run}/report.html", d.of(d.page))
	return mux
}

func fail(w http.ResponseWriter, status int, format string, a ...any) {
	writeJSON(w, status, map[string]string{"error": fmt.Sprintf(format, a...)})
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	text, err := json.Marshal(v)
	if err != nil {
		http.Error(w, "the answer cannot be written", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, _ = w.Write(text) // the peer is gone: nobody to tell
}

// sees tells whether who asks may see a recording. One whose rig is not known is for
// who sees all.
func sees(r *http.Request, rig string) bool { return dashboard.Sees(r, rig) }

func (d *Desk) listRecordings(w http.ResponseWriter, r *http.Request) {
	list, err := d.o.Library.List(d.o.Now())
	if err != nil {
		fail(w, http.StatusInternalServerError, "the recordings cannot be listed: see the monitor's log")
		return
	}
	list = slices.DeleteFunc(list, func(x Recording) bool { return !sees(r, x.Rig) })
	writeJSON(w, http.StatusOK, list)
}

// find answers an error itself where it returns nothing.
func (d *Desk) find(w http.ResponseWriter, r *http.Request, ids []string) []Recording {
	files, err := d.o.Library.find(ids, d.o.Now())
	switch {
	case errors.Is(err, errNoRecording) || err == nil && !sees(r, files[0].Rig):
		fail(w, http.StatusNotFound, "no recording of that name")
		return nil
	case err != nil:
		fail(w, http.StatusInternalServerError, "the recordings cannot be listed: see the monitor's log")
		return nil
	}
	for _, f := range files {
		if f.Rig != files[0].Rig || f.Rig == "" {
			fail(w, http.StatusBadRequest, "recordings: got files of %q and %q, want those of one rig", files[0].Rig, f.Rig)
			return nil
		}
	}
	return files
}

func (d *Desk) startRun(w http.ResponseWriter, r *http.Request) {
	var q Request
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "application/json" {
		fail(w, http.StatusUnsupportedMediaType, "want Content-Type application/json")
		return
	}
	dec := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&q); err != nil {
		fail(w, http.StatusBadRequest, "the request cannot be read: %v", err)
		return
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		fail(w, http.StatusBadRequest, "got more behind the object, want one")
		return
	}
	if err := q.check(); err != nil {
		fail(w, http.StatusBadRequest, "%v", err)
		return
	}
	if q.Kind == Report && d.o.Report == nil {
		fail(w, http.StatusBadRequest, "kind: reports are not made here")
		return
	}
	files := d.find(w, r, q.Recordings)
	if files == nil {
		return
	}
	run, err := d.ask(q, files)
	if err != nil {
		w.Header().Set("Retry-After", "5")
		fail(w, http.StatusServiceUnavailable, "%v", err)
		return
	}
	writeJSON(w, http.StatusAccepted, run)
}

// of finds the run of a request's path, for who sees its rig.
func (d *Desk) of(handle func(http.ResponseWriter, *http.Request, *Run)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		run, ok := d.get(r.PathValue("run"))
		if !ok || !sees(r, run.Rig) {
			fail(w, http.StatusNotFound, "no such replay: it was not asked for in a while and is forgotten, or there was none")
			return
		}
		handle(w, r, &run)
	}
}

func (d *Desk) showRun(w http.ResponseWriter, _ *http.Request, run *Run) {
	writeJSON(w, http.StatusOK, run)
}

func (d *Desk) endRun(w http.ResponseWriter, _ *http.Request, run *Run) {
	d.drop(run.ID)
	w.WriteHeader(http.StatusNoContent)
}

// track answers an error itself where it returns nil.
func track(w http.ResponseWriter, run *Run) *Track {
	if run.State != stateDone || run.Result.Track == nil {
		fail(w, http.StatusConflict, "this run is %s and has no rows", run.State)
		return nil
	}
	return run.Result.Track
}

func (d *Desk) page(w http.ResponseWriter, _ *http.Request, run *Run) {
	if run.State != stateDone || run.Result.page == nil {
		fail(w, http.StatusConflict, "this run is %s and has no report", run.State)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="`+fileName(run.Rig, run.Request.At, "incident.html")+`"`)
	_, _ = w.Write(run.Result.page) // the peer is gone: nobody to tell
}

// listKeys answers what can be set in the rig file that is in force in a recording.
func (d *Desk) listKeys(w http.ResponseWriter, r *http.Request) {
	run, ok := d.get(r.URL.Query().Get("run"))
	if !ok || !sees(r, run.Rig) {
		fail(w, http.StatusNotFound, "run: want a replay that has ended")
		return
	}
	t := track(w, &run)
	if t == nil {
		return
	}
	if len(t.Sessions) == 0 {
		fail(w, http.StatusConflict, "this run has no rig file")
		return
	}
	writeJSON(w, http.StatusOK, d.o.Keys(t.Sessions[len(t.Sessions)-1].file))
}
