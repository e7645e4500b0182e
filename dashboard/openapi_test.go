package dashboard

import (
	"encoding/json"
	"fmt"
	"net/http"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"hoistward/dashboard/access"

	"github.com/getkin/kin-openapi/openapi3"
)

func openAPI(t *testing.T) *openapi3.T {
	t.Helper()
	doc, err := openapi3.NewLoader().LoadFromFile("openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := doc.Validate(t.Context()); err != nil {
		t.Fatal(err)
	}
	return doc
}

var inPath = regexp.MustCompile(`\{(\w+)\}`)

// The file and the table of routes name the same operations, with the same least roles.
func TestOpenAPIHasEveryRoute(t *testing.T) {
	doc, table := openAPI(t), map[string]string{}
	for _, row := range newBench(t, nil).table() {
		if row.page || strings.HasPrefix(row.path, "/assets/") {
			continue
		}
		role := "anyone"
		if row.least != anyone {
			role = row.least.String()
		}
		table[row.method+" "+row.path] = role
	}
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			name := method + " " + path
			role, known := table[name]
			delete(table, name)
			switch said := op.Extensions["x-least-role"]; {
			case !known:
				t.Errorf("%s is in openapi.yaml and no route", name)
			case said != role:
				t.Errorf("%s: openapi.yaml says x-least-role %v, the table of routes %s", name, said, role)
			case (op.Security == nil) != (role != "anyone"):
				t.Errorf("%s: security in openapi.yaml does not go with its role", name)
			}
			for _, want := range inPath.FindAllStringSubmatch(path, -1) {
				if op.Parameters.GetByInAndName("path", want[1]) == nil {
					t.Errorf("%s: parameter %s is not described", name, want[1])
				}
			}
		}
	}
	for name := range table {
		t.Errorf("%s is a route and not in openapi.yaml: describe it there (DEVELOPERS.md, Add a route)", name)
	}
}

// fillWhole gives every field under v a value, so that every key of its JSON is written.
func fillWhole(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fillWhole(v.Elem())
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Field(i).CanSet() {
				fillWhole(v.Field(i))
			}
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		fillWhole(v.Index(0))
	case reflect.String:
		v.SetString("x")
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Float64, reflect.Float32:
		v.SetFloat(1.5)
	case reflect.Int, reflect.Int64:
		v.SetInt(1)
	case reflect.Uint64:
		v.SetUint(1)
	}
}

// What handlers really answer is what the file says, each key of it; and each operation
// is asked at least once.
func TestOpenAPIHoldsForAnswers(t *testing.T) {
	doc := openAPI(t)
	cert, key := issue(t, t.TempDir(), 1, time.Now().Add(-time.Hour), time.Now().Add(time.Hour))
	certificate, err := OpenCertificate(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	b := newBench(t, func(o *Options) { o.TLS = certificate })
	snap := &Snapshot{}
	fillWhole(reflect.ValueOf(snap).Elem())
	snap.Rig = ownRig
	snap.Seq, snap.ServerMs = 2, b.time().UnixMilli()+1
	b.Publish(snap)
	asked := map[string]bool{}
	// check asks, and holds request and answer to the file.
	check := func(method, path, query, body, token string, want int) {
		t.Helper()
		real := strings.NewReplacer("{rig}", ownRig, "{run}", "1").Replace(path) + query
		w := b.ask(method, real, body, token)
		what := fmt.Sprintf("%s %s%s", method, path, query)
		if w.Code != want {
			t.Errorf("%s: %d %s, want %d", what, w.Code, w.Body, want)
		}
		item := doc.Paths.Value(path)
		if item == nil || item.GetOperation(method) == nil {
			t.Errorf("%s is not in openapi.yaml", what)
			return
		}
		op := item.GetOperation(method)
		asked[method+" "+path] = true
		if want < 300 && body != "" {
			var v any
			if err := json.Unmarshal([]byte(body), &v); err != nil {
				t.Fatal(err)
			}
			if err := op.RequestBody.Value.Content.Get("application/json").Schema.Value.VisitJSON(v); err != nil {
				t.Errorf("%s: what the handler takes, the file refuses: %v", what, err)
			}
		}
		answer := op.Responses.Status(w.Code)
		if answer == nil {
			t.Errorf("%s: answer %d is not in openapi.yaml", what, w.Code)
			return
		}
		kind := strings.TrimSpace(strings.Split(w.Header().Get("Content-Type"), ";")[0])
		media := answer.Value.Content.Get(kind)
		if w.Body.Len() == 0 || w.Code == http.StatusBadRequest && strings.HasPrefix(path, "/ws/") {
			return // the upgrader answers in plain text
		}
		if media == nil {
			t.Errorf("%s: an answer of %q is not in openapi.yaml", what, kind)
			return
		}
		if kind != "application/json" {
			return
		}
		var v any
		if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
			t.Errorf("%s: %v", what, err)
		} else if err := media.Schema.Value.VisitJSON(v, openapi3.MultiErrors()); err != nil {
			t.Errorf("%s: the answer is not what openapi.yaml says: %v", what, err)
		}
	}
	in, centre := b.in("Engineer"), b.in("Centre")
	act := `{"do":"acknowledge","alarm":"overhoist","occurrence":1,"version":2,"person":"x"}`
	for _, x := range []struct {
		method, path, query, body, token string
		want                             int
	}{
		{"GET", "/api/rigs", "", "", in, 200},
		{"GET", "/api/rigs", "", "", "", 401},
		{"GET", "/api/rigs/{rig}", "", "", in, 200},
		{"GET", "/api/rigs/{rig}/trend", "", "", in, 200},
		{"GET", "/api/rigs/{rig}/trend", "?span=12h", "", in, 200},
		{"GET", "/api/rigs/{rig}/trend", "?span=1y", "", in, 400},
		{"POST", "/api/rigs/{rig}/acts", "", act, in, 200},
		{"POST", "/api/rigs/{rig}/acts", "", `{"do":"crown_saver_test","work":{"passed":true,"trip_height_m":38,"run_on_m":0.6,"speed_mps":0.5}}`, in, 200},
		{"POST", "/api/rigs/{rig}/acts", "", `{"do":"shelve","alarm":"brake_hot","reason":"sensor work","until":"2026-11-24T18:00:00Z"}`, in, 200},
		{"POST", "/api/rigs/{rig}/acts", "", `{"do":"dance"}`, in, 400},
		{"POST", "/api/rigs/{rig}/acts", "", act, centre, 403},
		{"POST", "/api/rigs/{rig}/acts", "", "", in, 415},
		{"POST", "/api/rigs/{rig}/acts", "", `{"person":"` + strings.Repeat("x", 5000) + `"}`, in, 413},
		{"POST", "/api/rigs/{rig}/sound", "", `{"page":"p","running":true,"reason":""}`, in, 204},
		{"POST", "/api/rigs/{rig}/sound", "", `{}`, in, 400},
		{"GET", "/api/alarms/figures", "", "", in, 200},
		{"GET", "/api/alarms/figures", "?from=yesterday", "", in, 400},
		{"GET", "/api/alarms/events", "", "", in, 200},
		{"GET", "/api/alarms/events", "?from=2020-01-01T00:00:00Z", "", in, 400},
		{"GET", "/api/me", "", "", in, 200},
		{"GET", "/api/me", "", "", "", 200},
		{"PUT", "/api/me/preferences", "", `{"units":"metric"}`, in, 200},
		{"PUT", "/api/me/preferences", "", `{"units":"cubits"}`, in, 400},
		{"POST", "/api/session", "", `{"person":"Driller","password":"` + passWord + `"}`, "", 200},
		{"POST", "/api/session", "", `{"person":"Driller","password":"x"}`, "", 401},
		{"POST", "/api/session", "", `{"name":"Driller"}`, "", 400},
		{"DELETE", "/api/session", "", "", "", 204},
		{"GET", "/healthz", "", "", "", 200},
		{"GET", "/healthz", "", "", centre, 200},
		{"GET", "/readyz", "", "", centre, 200},
		{"GET", "/metrics", "", "", centre, 200},
		{"GET", "/metrics", "", "", "", 401},
		{"GET", "/ws/{rig}", "", "", in, 400},
		{"GET", "/ws/fleet", "", "", in, 400},
		{"GET", "/api/replay/recordings", "", "", in, 404}, // what they answer, package replay tests
		{"GET", "/api/replay/keys", "", "", in, 404},
		{"POST", "/api/replay/runs", "", "", in, 404},
		{"GET", "/api/replay/runs/{run}", "", "", in, 404},
		{"DELETE", "/api/replay/runs/{run}", "", "", in, 404},
		{"GET", "/api/replay/runs/{run}/series", "", "", in, 404},
		{"GET", "/api/replay/runs/{run}/frames", "", "", in, 404},
		{"GET", "/api/replay/runs/{run}/table.csv", "", "", in, 404},
		{"GET", "/api/replay/runs/{run}/report.html", "", "", in, 404},
	} {
		check(x.method, x.path, x.query, x.body, x.token, x.want)
	}
	bare := newBench(t, func(o *Options) { o.Gate, o.Ready, o.AlarmFigures, o.Happened, o.Desk = nil, nil, nil, nil, nil })
	b = bare
	check("POST", "/api/session", "", `{"person":"x","password":"y"}`, "", 409)
	check("PUT", "/api/me/preferences", "", `{"units":"metric"}`, "", 409)
	check("GET", "/readyz", "", "", "", 404)
	check("GET", "/api/alarms/figures", "", "", "", 404)
	check("GET", "/api/alarms/events", "", "", "", 404)
	check("POST", "/api/rigs/{rig}/acts", "", act, "", 409)
	for path, item := range doc.Paths.Map() {
		for method := range item.Operations() {
			if !asked[method+" "+path] {
				t.Errorf("%s %s: no answer is held to the file: add one to this test", method, path)
			}
		}
	}
}

// The words of the file are those of the program.
func TestOpenAPINamesTheRoles(t *testing.T) {
	roles := openAPI(t).Components.Schemas["Me"].Value.Properties["role"].Value.Enum
	want := []any{"none", access.Watch.String(), access.Acknowledge.String(), access.Manage.String()}
	if !reflect.DeepEqual(roles, want) {
		t.Errorf("roles %v, want %v", roles, want)
	}
}
