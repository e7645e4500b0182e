package dashboard

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"hoistward/dashboard/access"
	"hoistward/ingest"

	"github.com/gorilla/websocket"
	"golang.org/x/crypto/argon2"
)

const (
	ownRig, otherRig = "northfell-1", "southmoor-2"
	passWord         = "the pipe is in the slips"
	elsewhere        = "192.0.2.1:1234" // RFC 5737: an address of nobody
)

// cheapHash is with the least cost that a file may ask for: tests sign in often.
var cheapHash = func() string {
	b64 := base64.RawStdEncoding.EncodeToString
	key := argon2.IDKey([]byte(passWord), []byte("saltsalt"), 1, 8, 1, 32)
	return fmt.Sprintf("$argon2id$v=19$m=8,t=1,p=1$%s$%s", b64([]byte("saltsalt")), b64(key))
}()

var people = []access.Account{
	{Person: "Watcher", Role: access.Watch, Rigs: []string{ownRig}},
	{Person: "Driller", Role: access.Acknowledge, Rigs: []string{ownRig}},
	{Person: "Engineer", Role: access.Manage, Rigs: []string{ownRig}},
	{Person: "Cabin", Role: access.Acknowledge, Rigs: []string{ownRig}, Station: true},
	{Person: "Centre", Role: access.Watch, Rigs: []string{access.AllRigs}},
}

// bench is a server with accounts and two rigs, and a desk that takes everything.
type bench struct {
	*Server
	t    *testing.T
	dir  string
	gate *access.Gate
	acts []ingest.Act
	now  atomic.Int64 // ns past the start
}

func (b *bench) Act(_ string, act ingest.Act) error { b.acts = append(b.acts, act); return nil }

func (b *bench) time() time.Time {
	return time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC).Add(time.Duration(b.now.Load()))
}

func (b *bench) write(accounts ...access.Account) {
	b.t.Helper()
	a := &access.Accounts{}
	for _, x := range accounts {
		x.Hash = cheapHash
		if x.Changed.IsZero() {
			x.Changed = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
		}
		a.Put(x)
	}
	if err := a.Write(filepath.Join(b.dir, access.AccountsFile)); err != nil {
		b.t.Fatal(err)
	}
	b.now.Add(int64(time.Second)) // the gate looks at the file again
}

func newBench(t *testing.T, change func(*Options)) *bench {
	t.Helper()
	b := &bench{t: t, dir: t.TempDir()}
	b.write(people...)
	gate, err := access.Open(b.dir, b.time(), func(err error) { t.Error(err) })
	if err != nil {
		t.Fatal(err)
	}
	b.gate = gate
	t.Cleanup(func() {
		if err := gate.Close(); err != nil {
			t.Error(err)
		}
	})
	o := Options{
		Gate: gate, Desk: b, Now: b.time, Rigs: []string{ownRig, otherRig},
		Health:  func() any { return map[string]any{"rigs": []string{ownRig, otherRig}} },
		Ready:   func() (bool, any) { return true, []string{ownRig, otherRig} },
		Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, ownRig, otherRig) }),
		Happened: func(rigs []string, _, _ time.Time, _ int) (Happened, error) {
			if len(rigs) == 0 {
				rigs = []string{ownRig, otherRig}
			}
			h := Happened{}
			for _, rig := range rigs {
				h.Events = append(h.Events, json.RawMessage(fmt.Sprintf(`{"rig":%q}`, rig)))
			}
			return h, nil
		},
		AlarmFigures: func(rigs []string, _, _ time.Time) (any, error) {
			if len(rigs) == 0 {
				rigs = []string{ownRig, otherRig}
			}
			return rigs, nil
		},
	}
	if change != nil {
		change(&o)
	}
	b.Server = New(o)
	for _, name := range o.Rigs {
		b.Publish(&Snapshot{Rig: name, Seq: 1, ServerMs: b.time().UnixMilli()})
	}
	return b
}

func (b *bench) ask(method, path, body, token string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, "http://127.0.0.1:8080"+path, strings.NewReader(body))
	r.RemoteAddr = elsewhere
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	if token != "" {
		r.AddCookie(&http.Cookie{Name: b.cookieName(), Value: token})
	}
	w := httptest.NewRecorder()
	b.Handler().ServeHTTP(w, r)
	return w
}

func (b *bench) in(person string) string {
	b.t.Helper()
	w := b.ask("POST", "/api/session", fmt.Sprintf(`{"person":%q,"password":%q}`, person, passWord), "")
	if w.Code != http.StatusOK || len(w.Result().Cookies()) != 1 {
		b.t.Fatalf("%s is not let in: %d %s", person, w.Code, w.Body)
	}
	return w.Result().Cookies()[0].Value
}

// pathOf fills in a route's pattern.
func pathOf(row route, rig string) string {
	return strings.NewReplacer("{$}", "", "{rig}", rig, "{file...}", "common.css").Replace(row.path)
}

// Every route, each role, and the own rig, another's and one that does not exist: who may
// not is answered alike everywhere, who may reaches the handler, and nothing of another's
// rig is in any answer.
func TestEveryRouteHoldsToRightsAndRigs(t *testing.T) {
	b := newBench(t, nil)
	for _, who := range append([]access.Account{{}}, people...) {
		token := ""
		if who.Person != "" {
			token = b.in(who.Person)
		}
		for _, row := range b.table() {
			rigs := []string{""}
			if strings.Contains(row.path, "{rig}") {
				rigs = []string{ownRig, otherRig, "nowhere"}
			}
			for _, rig := range rigs {
				b.now.Add(int64(time.Second))
				if row.path == "/api/session" && row.method == "DELETE" && who.Person != "" {
					continue // has its own test
				}
				w := b.ask(row.method, pathOf(row, rig), "", token)
				what := fmt.Sprintf("%s %s of %q by %q", row.method, row.path, rig, who.Person)
				switch {
				case row.least > anyone && who.Person == "" && row.page:
					if w.Code != http.StatusSeeOther || !strings.HasPrefix(w.Header().Get("Location"), "/sign-in?to=") {
						t.Errorf("%s: %d to %q, want the sign-in page", what, w.Code, w.Header().Get("Location"))
					}
				case row.least > anyone && who.Person == "":
					if w.Code != http.StatusUnauthorized {
						t.Errorf("%s: %d, want 401", what, w.Code)
					}
				case who.Role < row.least:
					if w.Code != http.StatusForbidden {
						t.Errorf("%s: %d, want 403", what, w.Code)
					}
				case rig != "" && (rig == "nowhere" || !who.Rights().Sees(rig)):
					unknown := b.ask(row.method, pathOf(row, "nowhere"), "", token)
					if w.Code != http.StatusNotFound || strings.ReplaceAll(w.Body.String(), rig, "nowhere") != unknown.Body.String() {
						t.Errorf("%s: %d %s, want what a rig that does not exist gets", what, w.Code, w.Body)
					}
				default:
					if w.Code == http.StatusUnauthorized && row.path != "/metrics" || w.Code == http.StatusForbidden ||
						w.Code == http.StatusSeeOther || strings.Contains(w.Body.String(), "no rig of that name") {
						t.Errorf("%s: %d %s, want it let through", what, w.Code, w.Body)
					}
				}
				if rig != otherRig && !who.Rights().Sees(otherRig) && strings.Contains(w.Body.String(), otherRig) {
					t.Errorf("%s: the answer tells of another's rig: %s", what, w.Body)
				}
			}
		}
	}
}

// What may be asked without a session is a short list: a route that joins it is looked at.
func TestFewRoutesAnswerStrangers(t *testing.T) {
	var open, changing []string
	for _, row := range newBench(t, nil).table() {
		name := row.method + " " + row.path
		if row.least == anyone {
			open = append(open, name)
		} else if row.method != "GET" && row.least < access.Acknowledge {
			changing = append(changing, name)
		}
	}
	slices.Sort(open)
	slices.Sort(changing)
	if want := []string{"DELETE /api/session", "GET /api/me", "GET /assets/{file...}", "GET /healthz", "GET /metrics", "GET /readyz", "GET /sign-in", "POST /api/session"}; !slices.Equal(open, want) {
		t.Errorf("answered without a session: %q, want %q", open, want)
	}
	// A replay is asked for and ended by who looks; it changes nothing that is watched.
	if want := []string{"DELETE /api/replay/runs/{run}", "POST /api/replay/runs", "POST /api/rigs/{rig}/sound", "PUT /api/me/preferences"}; !slices.Equal(changing, want) {
		t.Errorf("changed by who may only watch: %q, want %q", changing, want)
	}
}

func TestActsCarryTheSignedInPerson(t *testing.T) {
	b := newBench(t, nil)
	act := func(who, do, typed string) int {
		b.acts = nil
		body := fmt.Sprintf(`{"do":%q,"alarm":"overhoist","occurrence":1,"version":2,"person":%q}`, do, typed)
		if do == ingest.DoOutOfService {
			body = strings.Replace(body, `{`, `{"reason":"sensor work",`, 1)
		}
		return b.ask("POST", "/api/rigs/"+ownRig+"/acts", body, b.in(who)).Code
	}
	for _, c := range []struct {
		who, do, typed string
		code           int
		want           string
	}{
		{"Driller", "acknowledge", "Somebody Else", 200, "Driller"},
		{"driller", "acknowledge", "", 200, "Driller"},
		{"Cabin", "acknowledge", "A. Example", 200, "A. Example at Cabin"},
		{"Cabin", "acknowledge", " ", 400, ""},
		{"Cabin", "acknowledge", strings.Repeat("x", 60), 400, ""}, // with the terminal's name it is too long
		{"Watcher", "acknowledge", "Engineer", 403, ""},
		{"Driller", "out_of_service", "Engineer", 403, ""},
		{"Engineer", "out_of_service", "", 200, "Engineer"},
		{"Cabin", "out_of_service", "Engineer", 403, ""},
	} {
		code, got := act(c.who, c.do, c.typed), ""
		if len(b.acts) > 0 {
			got = b.acts[0].Person
		}
		if code != c.code || got != c.want {
			t.Errorf("%s by %s with %q typed: %d by %q, want %d by %q", c.do, c.who, c.typed, code, got, c.code, c.want)
		}
	}
	text, err := os.ReadFile(filepath.Join(b.dir, "audit.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"person":"A. Example at Cabin","address":"192.0.2.1","what":"act","rig":"northfell-1","detail":"acknowledge overhoist"`,
		`"what":"refused"`, `out_of_service needs the role manage`} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the audit lacks %s: %s", want, text)
		}
	}
}

func TestSessionOverHTTP(t *testing.T) {
	b := newBench(t, nil)
	wrong := b.ask("POST", "/api/session", `{"person":"Driller","password":"not the password"}`, "")
	unknown := b.ask("POST", "/api/session", `{"person":"Nobody","password":"not the password"}`, "")
	if wrong.Code != 401 || unknown.Code != 401 || wrong.Body.String() != unknown.Body.String() {
		t.Errorf("wrong password %d %s, unknown person %d %s: want one answer", wrong.Code, wrong.Body, unknown.Code, unknown.Body)
	}
	w := b.ask("POST", "/api/session", `{"person":"Driller","password":"`+passWord+`"}`, "")
	cookie := w.Result().Cookies()[0]
	if !cookie.HttpOnly || cookie.SameSite != http.SameSiteStrictMode || cookie.Path != "/" || cookie.Secure {
		t.Errorf("cookie %s", cookie)
	}
	var me Me
	if err := json.Unmarshal(b.ask("GET", "/api/me", "", cookie.Value).Body.Bytes(), &me); err != nil || me.Person != "Driller" || me.Role != "acknowledge" || !me.SignedIn || !me.Accounts {
		t.Errorf("me %+v, %v", me, err)
	}
	if w := b.ask("PUT", "/api/me/preferences", `{"units":"oilfield","theme":"night"}`, cookie.Value); w.Code != 200 {
		t.Errorf("preferences: %d %s", w.Code, w.Body)
	}
	if w := b.ask("PUT", "/api/me/preferences", `{"units":"cubits"}`, cookie.Value); w.Code != 400 {
		t.Errorf("preferences that are none: %d", w.Code)
	}
	if w := b.ask("GET", "/api/me", "", cookie.Value); !strings.Contains(w.Body.String(), `"preferences":{"units":"oilfield","theme":"night"}`) {
		t.Errorf("kept: %s", w.Body)
	}
	if w := b.ask("DELETE", "/api/session", "", cookie.Value); w.Code != 204 || w.Result().Cookies()[0].MaxAge >= 0 {
		t.Errorf("sign out: %d %v", w.Code, w.Result().Cookies())
	}
	if w := b.ask("GET", "/api/rigs", "", cookie.Value); w.Code != 401 {
		t.Errorf("after signing out: %d", w.Code)
	}
	for range 6 {
		w = b.ask("POST", "/api/session", `{"person":"Driller","password":"guess"}`, "")
	}
	if w.Code != http.StatusTooManyRequests || w.Header().Get("Retry-After") == "" {
		t.Errorf("guessing: %d %v", w.Code, w.Header())
	}
}

func TestWithoutAccountsTheLocalPersonManages(t *testing.T) {
	b := newBench(t, func(o *Options) { o.Gate = nil })
	var me Me
	if err := json.Unmarshal(b.ask("GET", "/api/me", "", "").Body.Bytes(), &me); err != nil || !me.SignedIn || me.Accounts || me.Role != "manage" || !slices.Equal(me.Rigs, []string{"*"}) {
		t.Errorf("%+v, %v", me, err)
	}
	if w := b.ask("POST", "/api/rigs/"+ownRig+"/acts", `{"do":"acknowledge","alarm":"overhoist","person":"A. Example"}`, ""); w.Code != 200 || b.acts[0].Person != "A. Example" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// An open socket ends when its account is removed or changed, and it never sees
// another's rig.
func TestSocketsEndWithTheirAccount(t *testing.T) {
	changed := people[1]
	changed.Role, changed.Changed = access.Watch, time.Date(2026, 11, 2, 0, 0, 0, 0, time.UTC)
	for what, left := range map[string][]access.Account{ownRig: {people[0], changed}, "fleet": {people[0]}} {
		t.Run(what, func(t *testing.T) {
			b := newBench(t, func(o *Options) { o.Now = nil })
			at := b.serve()
			jar, _ := cookiejar.New(nil)
			c := &http.Client{Jar: jar}
			defer c.CloseIdleConnections()
			r, err := c.Post("http://"+at+"/api/session", "application/json", strings.NewReader(`{"person":"Driller","password":"`+passWord+`"}`))
			if err != nil || r.StatusCode != 200 {
				t.Fatal(r, err)
			}
			r.Body.Close()
			d := websocket.Dialer{Jar: jar}
			if _, r, err := d.Dial("ws://"+at+"/ws/"+otherRig, nil); err == nil || r.StatusCode != 404 {
				t.Errorf("another's rig: %v %v", r, err)
			}
			if _, r, err := (&websocket.Dialer{}).Dial("ws://"+at+"/ws/"+what, nil); err == nil || r.StatusCode != 401 {
				t.Errorf("without a session: %v %v", r, err)
			}
			conn, _, err := d.Dial("ws://"+at+"/ws/"+what, nil)
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			_ = conn.SetReadDeadline(time.Now().Add(30 * time.Second))
			if _, text, err := conn.ReadMessage(); err != nil || strings.Contains(string(text), otherRig) {
				t.Errorf("%s %v", text, err)
			}
			b.write(left...)
			for err == nil {
				_, _, err = conn.ReadMessage()
			}
			if !websocket.IsCloseError(err, websocket.ClosePolicyViolation) {
				t.Errorf("ended with %v, want 1008", err)
			}
		})
	}
}

// serve serves b on loopback until the test ends, and returns its host:port.
func (b *bench) serve() string {
	b.t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- b.Serve(ctx, ln) }()
	b.t.Cleanup(func() {
		cancel()
		if err := <-served; err != nil {
			b.t.Error(err)
		}
	})
	return ln.Addr().String()
}
