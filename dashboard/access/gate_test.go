package access

import (
	"bufio"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

var noon = time.Date(2026, 1, 2, 12, 0, 0, 0, time.UTC)

const word = "the pipe is in the slips"

// hashOf is made with the least cost that a file may ask for: tests sign in often.
func hashOf(t *testing.T) string {
	t.Helper()
	return "$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$" + cheapKey
}

func person(t *testing.T, name string, role Role, rigs ...string) Account {
	return Account{Person: name, Hash: hashOf(t), Role: role, Rigs: rigs, Changed: noon.Add(-time.Hour)}
}

// house is a gate with accounts in a folder.
type house struct {
	*Gate
	t        *testing.T
	dir      string
	troubles []error
}

func newHouse(t *testing.T, accounts ...Account) *house {
	t.Helper()
	h := &house{t: t, dir: t.TempDir()}
	h.write(accounts...)
	h.open()
	t.Cleanup(func() {
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	})
	return h
}

func (h *house) open() {
	h.t.Helper()
	g, err := Open(h.dir, noon, func(err error) { h.troubles = append(h.troubles, err) })
	if err != nil {
		h.t.Fatal(err)
	}
	h.Gate = g
}

func (h *house) write(accounts ...Account) {
	h.t.Helper()
	a := &Accounts{}
	for _, x := range accounts {
		a.Put(x)
	}
	if err := a.Write(filepath.Join(h.dir, AccountsFile)); err != nil {
		h.t.Fatal(err)
	}
}

func (h *house) in(name string, now time.Time) string {
	h.t.Helper()
	token, _, err := h.SignIn(h.t.Context(), name, word, "192.0.2.1", now)
	if err != nil {
		h.t.Fatal(err)
	}
	return token
}

func (h *house) audited() (lines []Entry) {
	f, err := os.Open(filepath.Join(h.dir, auditFile))
	if err != nil {
		h.t.Fatal(err)
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		var e Entry
		if err := json.Unmarshal(s.Bytes(), &e); err != nil {
			h.t.Fatal(err)
		}
		lines = append(lines, e)
	}
	return lines
}

func TestWithoutAccountsWhoeverAsksIsLetIn(t *testing.T) {
	h := &house{t: t, dir: t.TempDir()}
	h.open()
	defer h.Close()
	seat, ok := h.Who("", noon)
	if !ok || h.Closed(noon) || !seat.May(Manage) || !seat.Sees("R9") {
		t.Errorf("%+v, %v", seat, ok)
	}
	h.write(person(t, "Ada", Watch, "R1"))
	later := noon.Add(time.Second)
	if _, ok := h.Who("", later); ok || !h.Closed(later) {
		t.Error("from the first account on people sign in")
	}
	h.write()
	if _, ok := h.Who("", later.Add(time.Second)); ok {
		t.Error("the last account is removed, and anybody is let in")
	}
}

func TestSignInAndOut(t *testing.T) {
	h := newHouse(t, person(t, "Ada", Acknowledge, "R1", "R2"))
	token, rights, err := h.SignIn(t.Context(), "ada", word, "192.0.2.1", noon)
	if err != nil || rights.Person != "Ada" || !rights.Sees("R1") || rights.Sees("R3") || rights.May(Manage) || !rights.May(Watch) {
		t.Fatalf("%+v, %v", rights, err)
	}
	if seat, ok := h.Who(token, noon); !ok || seat.Person != "Ada" {
		t.Errorf("%+v, %v", seat, ok)
	}
	text, _ := os.ReadFile(filepath.Join(h.dir, sessionsName))
	if strings.Contains(string(text), token) || !strings.Contains(string(text), digest(token)) {
		t.Error("the file of sessions holds a token, or not its digest")
	}
	seat, _ := h.Who(token, noon)
	h.SignOut(seat, "192.0.2.1", noon)
	if _, ok := h.Who(token, noon); ok {
		t.Error("signed out and still in")
	}
	if _, ok := h.Still(seat, noon); ok {
		t.Error("signed out and a socket goes on")
	}
	if got := h.audited(); len(got) != 2 || got[0].What != "sign_in" || got[0].Outcome != "done" || got[1].What != "sign_out" || got[1].Person != "Ada" {
		t.Errorf("audit %+v", got)
	}
}

func TestUnknownPersonAndWrongPasswordAreOneAnswer(t *testing.T) {
	h := newHouse(t, person(t, "Ada", Watch, AllRigs))
	_, _, wrong := h.SignIn(t.Context(), "Ada", word+"?", "192.0.2.1", noon)
	_, _, unknown := h.SignIn(t.Context(), "Bob", word, "192.0.2.2", noon)
	if !errors.Is(wrong, ErrRefused) || wrong != unknown {
		t.Errorf("%v, %v", wrong, unknown)
	}
}

func TestGuessingIsLockedOutByPersonAndByAddress(t *testing.T) {
	h := newHouse(t, person(t, "Ada", Watch, AllRigs), person(t, "Eve", Watch, AllRigs))
	token := h.in("Ada", noon)
	for range freeTries + 1 {
		if _, _, err := h.SignIn(t.Context(), "Ada", "wrong", "192.0.2.9", noon); !errors.Is(err, ErrRefused) {
			t.Fatal(err)
		}
	}
	var wait *WaitError
	for _, x := range []struct{ who, from string }{{"ADA", "192.0.2.1"}, {"Eve", "192.0.2.9"}} {
		if _, _, err := h.SignIn(t.Context(), x.who, word, x.from, noon); !errors.As(err, &wait) || wait.Wait != firstWait {
			t.Errorf("%v: %v", x, err)
		}
	}
	if _, ok := h.Who(token, noon); !ok {
		t.Error("a guesser put a signed-in person out")
	}
	if _, _, err := h.SignIn(t.Context(), "Eve", word, "192.0.2.1", noon); err != nil {
		t.Errorf("another person from another place: %v", err)
	}
	if _, _, err := h.SignIn(t.Context(), "Ada", word, "192.0.2.1", noon.Add(firstWait)); err != nil {
		t.Errorf("after the wait: %v", err)
	}
}

// Each guess stands in the audit with who, from where and how it ended, those that were
// not even looked at too, and nothing that was typed as a password.
func TestTheAuditHasEveryGuess(t *testing.T) {
	h := newHouse(t, person(t, "Ada", Watch, AllRigs))
	const typed = "a word that nobody may read"
	for range freeTries + 2 {
		_, _, _ = h.SignIn(t.Context(), "Ada", typed, "192.0.2.9", noon)
	}
	_, _, _ = h.SignIn(t.Context(), "Nobody", typed, "192.0.2.8", noon)
	got := h.audited()
	if len(got) != freeTries+3 {
		t.Fatalf("%d lines, want %d: %+v", len(got), freeTries+3, got)
	}
	for i, e := range got {
		person, address, outcome := "Ada", "192.0.2.9", ErrRefused.Error()
		switch {
		case i == freeTries+1:
			outcome = "too many wrong passwords"
		case i == freeTries+2:
			person, address = "Nobody", "192.0.2.8"
		}
		if e.What != "sign_in" || e.Person != person || e.Address != address || !strings.HasPrefix(e.Outcome, outcome) || !e.At.Equal(noon) {
			t.Errorf("line %d: %+v, want %s of %s from %s", i, e, outcome, person, address)
		}
	}
	if text, err := os.ReadFile(filepath.Join(h.dir, auditFile)); err != nil || strings.Contains(string(text), typed) {
		t.Errorf("%v: the audit holds what was typed", err)
	}
}

func TestSessionsEndWithTimeAndWithTheirAccount(t *testing.T) {
	station := person(t, "cabin", Acknowledge, "R1")
	station.Station = true
	h := newHouse(t, person(t, "Ada", Watch, AllRigs), station)
	token, cabin := h.in("Ada", noon), h.in("cabin", noon)
	in := func(token string, at time.Duration) bool { _, ok := h.Who(token, noon.Add(at)); return ok }
	for at := time.Duration(0); at < wholeLimit; at += idleLimit - time.Hour {
		if !in(token, at) {
			t.Fatalf("out after %v in use", at)
		}
	}
	if in(token, wholeLimit) {
		t.Error("a session outlives its whole time")
	}
	idle := h.in("Ada", noon)
	if !in(idle, idleLimit-time.Minute) || in(idle, 2*idleLimit) {
		t.Error("a session that is not used")
	}
	if !in(cabin, stationLimit-time.Hour) || in(cabin, stationLimit) {
		t.Error("a station's session")
	}

	// The file is changed by the command; the newer account ends the sessions before it.
	again := h.in("cabin", noon)
	station.Changed = noon.Add(time.Minute)
	h.write(person(t, "Ada", Watch, AllRigs), station)
	if in(again, time.Hour) {
		t.Error("a session outlives a change of its account")
	}
	token = h.in("Ada", noon.Add(time.Hour))
	h.write(station)
	if in(token, time.Hour+2*lookEvery) {
		t.Error("a session outlives its account")
	}
}

func TestSessionsOutliveARestart(t *testing.T) {
	h := newHouse(t, person(t, "Ada", Watch, AllRigs))
	token := h.in("Ada", noon)
	seat, _ := h.Who(token, noon)
	if err := h.SetLikes(seat, Preferences{Units: "oilfield", Theme: "night"}); err != nil {
		t.Fatal(err)
	}
	h.Close()
	h.open()
	seat, ok := h.Who(token, noon)
	if !ok || h.Likes(seat) != (Preferences{"oilfield", "night"}) {
		t.Errorf("after a restart: %+v, %v, %+v", seat, ok, h.Likes(seat))
	}
	h.Close()
	if err := os.WriteFile(filepath.Join(h.dir, sessionsName), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	h.open()
	if _, ok := h.Who(token, noon); ok || len(h.troubles) == 0 {
		t.Errorf("damaged sessions: %v, %v", ok, h.troubles)
	}
}

func TestAFileOfAccountsThatIsNotRightIsRefused(t *testing.T) {
	good := func() *Accounts { a := &Accounts{}; a.Put(person(t, "Ada", Watch, AllRigs)); return a }
	text, _ := good().text()
	for what, x := range map[string]struct{ text, want string }{
		"newer":        {strings.Replace(string(text), `"version": 1`, `"version": 2`, 1), "another hoistward"},
		"torn":         {string(text[:len(text)/2]), "unexpected end"},
		"another key":  {strings.Replace(string(text), `"role"`, `"rule"`, 1), "rule"},
		"another role": {strings.Replace(string(text), `"watch"`, `"root"`, 1), "want one of watch"},
		"no rigs":      {strings.Replace(string(text), `"*"`, ``, 1), "rigs: got none"},
		"plain":        {strings.Replace(string(text), `"$argon2id`, `"plain$argon2id`, 1), "hash: want"},
	} {
		path := filepath.Join(t.TempDir(), AccountsFile)
		if err := os.WriteFile(path, []byte(x.text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := ReadAccounts(path); err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: %v, want %q in it", what, err, x.want)
		}
	}
	if runtime.GOOS == "windows" {
		return
	}
	path := filepath.Join(t.TempDir(), AccountsFile)
	if err := good().Write(path); err != nil {
		t.Fatal(err)
	}
	if info, _ := os.Stat(path); info.Mode().Perm() != 0o600 {
		t.Errorf("written with mode %04o", info.Mode().Perm())
	}
	if err := os.Chmod(path, 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadAccounts(path); err == nil || !strings.Contains(err.Error(), "chmod 600") {
		t.Errorf("others may read it: %v", err)
	}
}

func TestABrokenFileLeavesTheAccountsBeforeInForce(t *testing.T) {
	h := newHouse(t, person(t, "Ada", Watch, AllRigs))
	token := h.in("Ada", noon)
	if err := os.WriteFile(filepath.Join(h.dir, AccountsFile), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	for i := range 5 {
		if _, ok := h.Who(token, noon.Add(time.Duration(i)*time.Second)); !ok {
			t.Fatal("put out by a broken file")
		}
	}
	if len(h.troubles) != 1 || !strings.Contains(h.troubles[0].Error(), "stay in force") {
		t.Errorf("told %v", h.troubles)
	}
}

func TestAccountsThatCannotBe(t *testing.T) {
	station := person(t, "cabin", Manage, "R1")
	station.Station = true
	roaming := station
	roaming.Role, roaming.Rigs = Acknowledge, []string{AllRigs}
	for want, a := range map[string]Account{
		"got manage":          station,
		"the one rig":         roaming,
		"want a name":         person(t, "", Watch, AllRigs),
		"spaces around":       person(t, " Ada", Watch, AllRigs),
		"beside names":        person(t, "Ada", Watch, AllRigs, "R1"),
		"rigs: got none":      person(t, "Ada", Watch),
		"want one of watch":   person(t, "Ada", 0, AllRigs),
		"hash: want $argon2i": {Person: "Ada", Role: Watch, Rigs: []string{"R1"}, Hash: "secret"},
	} {
		if err := a.Check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", a, err, want)
		}
	}
}

func TestTwoWhoEditAtOnceDoNotUndoEachOther(t *testing.T) {
	path := filepath.Join(t.TempDir(), AccountsFile)
	add := func(name string) func(*Accounts) error {
		return func(a *Accounts) error { a.Put(person(t, name, Watch, AllRigs)); return nil }
	}
	if err := EditAccounts(path, add("Ada")); err != nil {
		t.Fatal(err)
	}
	err := EditAccounts(path, func(a *Accounts) error {
		if err := EditAccounts(path, add("Bob")); err != nil {
			t.Fatal(err)
		}
		return add("Eve")(a)
	})
	if err == nil || !strings.Contains(err.Error(), "somebody else") {
		t.Errorf("got %v", err)
	}
	a, err := ReadAccounts(path)
	if err != nil || a.Len() != 2 {
		t.Errorf("%v, %v", a, err)
	}
}

func TestAuditIsBounded(t *testing.T) {
	path := filepath.Join(t.TempDir(), auditFile)
	a, err := openAudit(path)
	if err != nil {
		t.Fatal(err)
	}
	defer a.close()
	long := strings.Repeat("x", 10_000)
	for range 3 * mostAudit / (3 * longestText) {
		if err := a.write(Entry{At: noon, Person: long, Address: "192.0.2.1", What: "act", Detail: long, Outcome: long}); err != nil {
			t.Fatal(err)
		}
	}
	for _, p := range []string{path, path + ".1"} {
		info, err := os.Stat(p)
		if err != nil || info.Size() > mostAudit || info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s: %v, %v", p, info, err)
		}
	}
	if all, _ := filepath.Glob(path + "*"); len(all) != 2 {
		t.Errorf("files %v", all)
	}
}

func TestSessionsAreBounded(t *testing.T) {
	s := newSessions()
	a := person(t, "Ada", Watch, AllRigs)
	first := s.open(&a, "", noon)
	for i := range 2 * mostPerPerson {
		s.open(&a, "", noon.Add(time.Duration(i+1)*time.Second))
	}
	if len(s.by) != mostPerPerson {
		t.Errorf("%d sessions of one person", len(s.by))
	}
	if _, ok := s.find(digest(first), noon); ok {
		t.Error("the oldest did not make room")
	}
}
