package access

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// Files of a Gate, in its folder.
const (
	AccountsFile = "accounts.json"
	sessionsName = "sessions.json"
	auditFile    = "audit.jsonl"
)

const (
	hashesAtOnce = 2                      // of 19 MiB each
	lookEvery    = 500 * time.Millisecond // at the file of accounts
)

// ErrRefused is the answer to a person who is not known and to a wrong password alike.
var ErrRefused = errors.New("the name or the password is not right")

// WaitError is the answer to whoever gave too many wrong passwords.
type WaitError struct{ Wait time.Duration }

func (e *WaitError) Error() string {
	return fmt.Sprintf("too many wrong passwords: try again in %.0f s", max(1, e.Wait.Seconds()))
}

// Seat is one signed-in browser, for the length of one request or socket. Its rights
// are those of the moment it was asked for.
type Seat struct {
	Rights
	key string // of the session; empty without accounts
}

// Session names the seat's session, and is no secret; empty without accounts.
func (s Seat) Session() string { return s.key }

// Gate lets people in. It is safe for use by many goroutines.
//
// Without any account it lets in whoever asks, with all rights: its user must then not
// listen beyond this machine. From the first account on it asks everybody to sign in,
// and it stays so when the last account is removed while it runs.
type Gate struct {
	dir     string
	hasher  *Hasher
	trouble func(error)

	mu       sync.Mutex
	closed   bool // there were accounts once
	accounts *Accounts
	looked   time.Time
	seen     fs.FileInfo
	sessions *sessions
	persons  *lockout
	places   *lockout
	audit    *audit
}

// Open returns the gate of a folder, which it makes where there is none. A file of
// accounts that is not right is an error; one of sessions only makes everybody sign in
// again. trouble is told of what goes wrong later; it must not block.
func Open(dir string, now time.Time, trouble func(error)) (*Gate, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("accounts: %w", err)
	}
	g := &Gate{dir: dir, hasher: NewHasher(hashesAtOnce), trouble: trouble, persons: newLockout(), places: newLockout()}
	if err := g.read(); err != nil {
		return nil, err
	}
	sessions, err := readSessions(g.path(sessionsName), now)
	if err != nil {
		trouble(err)
	}
	g.sessions = sessions
	g.sessions.keepTo(g.accounts)
	g.looked = now
	if g.audit, err = openAudit(g.path(auditFile)); err != nil {
		return nil, err
	}
	return g, nil
}

func (g *Gate) path(name string) string { return filepath.Join(g.dir, name) }

// read takes the file of accounts as it is now.
func (g *Gate) read() error {
	seen, err := os.Stat(g.path(AccountsFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("accounts: %w", err)
	}
	accounts, err := ReadAccounts(g.path(AccountsFile))
	if err != nil {
		return err
	}
	g.accounts, g.seen = accounts, seen
	g.closed = g.closed || accounts.Len() > 0
	return nil
}

// look reads the accounts again when their file has changed. One that is not right is
// told of, and the accounts before it stay in force.
func (g *Gate) look(now time.Time) {
	if d := now.Sub(g.looked); d >= 0 && d < lookEvery {
		return
	}
	g.looked = now
	seen, err := os.Stat(g.path(AccountsFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		g.trouble(fmt.Errorf("accounts: %w", err))
		return
	}
	if same(seen, g.seen) {
		return
	}
	if err := g.read(); err != nil {
		g.seen = seen // told of once
		g.trouble(fmt.Errorf("the accounts before stay in force: %w", err))
		return
	}
	if len(g.sessions.keepTo(g.accounts)) > 0 {
		g.save()
	}
}

func same(a, b fs.FileInfo) bool {
	if a == nil || b == nil {
		return a == nil && b == nil
	}
	return os.SameFile(a, b) && a.ModTime().Equal(b.ModTime()) && a.Size() == b.Size()
}

// Closed tells whether people must sign in.
func (g *Gate) Closed(now time.Time) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.look(now)
	return g.closed
}

// SignIn lets a person in and returns the token of the new session. Errors are
// ErrRefused, ErrBusy, a *WaitError, or one of this machine.
func (g *Gate) SignIn(ctx context.Context, person, password, address string, now time.Time) (token string, rights Rights, err error) {
	name, place := strings.ToLower(person), placeOf(address)
	g.mu.Lock()
	g.look(now)
	account, known := g.accounts.Find(person)
	wait := max(g.persons.wait(name, now), g.places.wait(place, now))
	if wait == 0 {
		// Counted before the hash is worked out, so that many at once are counted too.
		g.persons.wrong(name, now)
		g.places.wrong(place, now)
	}
	g.mu.Unlock()

	if wait > 0 {
		err = &WaitError{wait}
	} else {
		token, rights, err = g.try(ctx, account, known, password, address, now)
		if errors.Is(err, ErrBusy) { // not a wrong password
			g.mu.Lock()
			g.persons.undo(name)
			g.places.undo(place)
			g.mu.Unlock()
		}
	}
	outcome := "done"
	if err != nil {
		outcome = err.Error()
	}
	g.Note(Entry{At: now, Person: person, Address: address, What: "sign_in", Outcome: outcome})
	return token, rights, err
}

// placeOf is the address as guesses are counted by: of IPv6 the network of /64, since one
// machine has all of it.
func placeOf(address string) string {
	a, err := netip.ParseAddr(address)
	if err != nil {
		return address
	}
	if a = a.Unmap().WithZone(""); a.Is6() {
		if p, err := a.Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}

func (g *Gate) try(ctx context.Context, account Account, known bool, password, address string, now time.Time) (string, Rights, error) {
	right, err := g.hasher.Verify(ctx, account.Hash, password)
	if err == nil && !(known && right) {
		err = ErrRefused
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if err != nil {
		return "", Rights{}, err
	}
	// The account may have been changed while the hash was worked out.
	if now, ok := g.accounts.Find(account.Person); !ok || now.Hash != account.Hash {
		return "", Rights{}, ErrRefused
	}
	g.persons.right(strings.ToLower(account.Person))
	g.places.right(placeOf(address))
	token := g.sessions.open(&account, address, now)
	g.save()
	return token, account.Rights(), nil
}

// Who returns the seat of a token, and whether there is one. Without accounts there
// always is.
func (g *Gate) Who(token string, now time.Time) (Seat, bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.look(now)
	if !g.closed {
		return Seat{Rights: Everything()}, true
	}
	if token == "" {
		return Seat{}, false
	}
	return g.seat(digest(token), now)
}

// Still returns the seat as it is now, and whether its session goes on.
func (g *Gate) Still(s Seat, now time.Time) (Seat, bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.look(now)
	if !g.closed {
		return s, true
	}
	return g.seat(s.key, now)
}

func (g *Gate) seat(key string, now time.Time) (Seat, bool) {
	x, ok := g.sessions.find(key, now)
	if !ok {
		return Seat{}, false
	}
	account, ok := g.accounts.Find(x.Person)
	if !ok {
		return Seat{}, false
	}
	if g.sessions.use(key, now) {
		g.save()
	}
	return Seat{account.Rights(), key}, true
}

// SignOut ends the seat's session.
func (g *Gate) SignOut(s Seat, address string, now time.Time) {
	g.mu.Lock()
	person := g.sessions.end(s.key)
	g.save()
	g.mu.Unlock()
	g.Note(Entry{At: now, Person: person, Address: address, What: "sign_out", Outcome: "done"})
}

// Likes returns how the person likes the pages.
func (g *Gate) Likes(s Seat) Preferences {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.sessions.likes[strings.ToLower(s.Person)]
}

// SetLikes keeps how the person likes the pages.
func (g *Gate) SetLikes(s Seat, p Preferences) error {
	if err := p.Check(); err != nil {
		return err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.sessions.likes[strings.ToLower(s.Person)] = p
	g.save()
	return nil
}

// save writes the sessions. A disk that refuses them costs nobody the seat: they are
// signed in until the next start.
func (g *Gate) save() {
	text, err := g.sessions.text()
	if err == nil {
		err = replaceFile(g.path(sessionsName), text)
	}
	if err != nil {
		g.trouble(fmt.Errorf("sessions: %w", err))
	}
}

// Note writes one line of the audit. A disk that refuses it is told of; it stops no
// alarm from being answered.
func (g *Gate) Note(e Entry) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if err := g.audit.write(e); err != nil {
		g.trouble(err)
	}
}

// Close ends the gate.
func (g *Gate) Close() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.save()
	return g.audit.close()
}
