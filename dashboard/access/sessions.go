package access

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strings"
	"time"
)

// How long a session lasts. A station's is that of a cabin's terminal, which must not
// ask for a password in the middle of a trip: it ends when its account does.
const (
	idleLimit    = 12 * time.Hour // a tour without a request
	wholeLimit   = 7 * 24 * time.Hour
	stationLimit = 400 * 24 * time.Hour // the longest that browsers keep a cookie

	mostSessions  = 10_000
	mostPerPerson = 20 // the oldest makes room
)

const sessionsVersion = 1

// session is one signed-in browser. Of its token only the digest is kept: whoever
// reads the file cannot use it.
type session struct {
	Person  string    `json:"person"`
	Began   time.Time `json:"began"`
	Used    time.Time `json:"used"`            // to a minute
	Of      time.Time `json:"account_changed"` // Changed of the account that it was opened with
	Station bool      `json:"station,omitempty"`
	Address string    `json:"address"` // that it was opened from
}

// sessions are who is signed in, and how each person likes the pages, by the digest of
// a token and by name. What it answers is a function of what it was told and when.
type sessions struct {
	by    map[string]session
	likes map[string]Preferences // by person, in lower case
}

type sessionsFile struct {
	Version     int                    `json:"version"`
	Sessions    map[string]session     `json:"sessions"`
	Preferences map[string]Preferences `json:"preferences"`
}

func newSessions() *sessions {
	return &sessions{by: map[string]session{}, likes: map[string]Preferences{}}
}

// digest of a token, as it is kept.
func digest(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// newToken is 256 random bits.
func newToken() string {
	b := make([]byte, 32)
	_, _ = rand.Read(b) // never fails: crypto/rand ends the program instead
	return base64.RawURLEncoding.EncodeToString(b)
}

// open begins a session and returns its token, the one time that anyone sees it.
func (s *sessions) open(account *Account, address string, now time.Time) string {
	s.sweep(now)
	s.makeRoom(account.Person)
	token := newToken()
	s.by[digest(token)] = session{Person: account.Person, Began: now, Used: now, Of: account.Changed, Station: account.Station, Address: address}
	return token
}

// makeRoom ends the oldest session of a person who has too many, and the oldest of all
// when there are too many.
func (s *sessions) makeRoom(person string) {
	own := func(x session) bool { return strings.EqualFold(x.Person, person) }
	if s.count(own) >= mostPerPerson {
		s.endOldest(own)
	}
	if len(s.by) >= mostSessions {
		s.endOldest(func(x session) bool { return !x.Station })
	}
}

func (s *sessions) count(of func(session) bool) (n int) {
	for _, x := range s.by {
		if of(x) {
			n++
		}
	}
	return n
}

func (s *sessions) endOldest(of func(session) bool) {
	oldest, at := "", time.Time{}
	for key, x := range s.by {
		if of(x) && (oldest == "" || x.Used.Before(at)) {
			oldest, at = key, x.Used
		}
	}
	delete(s.by, oldest)
}

// find returns the session of a digest that has not ended at that time.
func (s *sessions) find(key string, now time.Time) (session, bool) {
	x, ok := s.by[key]
	return x, ok && !x.over(now)
}

func (x *session) over(now time.Time) bool {
	if x.Station {
		return now.Sub(x.Began) >= stationLimit
	}
	return now.Sub(x.Began) >= wholeLimit || now.Sub(x.Used) >= idleLimit
}

// use notes that the session was used, and tells whether that is worth writing down.
func (s *sessions) use(key string, now time.Time) bool {
	x, ok := s.by[key]
	if !ok || now.Sub(x.Used) < time.Minute {
		return false
	}
	x.Used = now
	s.by[key] = x
	return true
}

// end ends one session, and tells whose it was.
func (s *sessions) end(key string) (person string) {
	person = s.by[key].Person
	delete(s.by, key)
	return person
}

// keepTo ends the sessions of accounts that are gone or were changed since, and returns
// their digests.
func (s *sessions) keepTo(accounts *Accounts) (ended []string) {
	for _, key := range slices.Sorted(maps.Keys(s.by)) {
		x := s.by[key]
		account, ok := accounts.Find(x.Person)
		if !ok || !x.Of.Equal(account.Changed) || x.Station != account.Station {
			delete(s.by, key)
			ended = append(ended, key)
		}
	}
	return ended
}

func (s *sessions) sweep(now time.Time) {
	maps.DeleteFunc(s.by, func(_ string, x session) bool { return x.over(now) })
}

// readSessions reads the file of sessions; a missing one is none. One that cannot be
// read is none either, with the reason, and is set aside: then everybody signs in again.
func readSessions(path string, now time.Time) (*sessions, error) {
	s := newSessions()
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return s, nil
	}
	if err != nil {
		return s, fmt.Errorf("sessions: %w", err)
	}
	if info.Mode().Perm()&0o077 != 0 && modesMean {
		return s, fmt.Errorf("sessions: %s: got mode %04o, which others may use, want 0600: everybody signs in again", path, info.Mode().Perm())
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return s, fmt.Errorf("sessions: %w", err)
	}
	var f sessionsFile
	err = json.Unmarshal(text, &f)
	if f.Version > sessionsVersion {
		return s, fmt.Errorf("sessions: %s: got version %d, want %d at most, a newer hoistward wrote it: everybody signs in again; %s",
			path, f.Version, sessionsVersion, setAside(path, ".newer-", now))
	}
	if err == nil && f.Version != sessionsVersion {
		err = fmt.Errorf("got version %d, want %d", f.Version, sessionsVersion)
	}
	if err != nil {
		return s, fmt.Errorf("sessions: %s: %w: everybody signs in again; %s", path, err, setAside(path, ".damaged-", now))
	}
	if f.Sessions != nil {
		s.by = f.Sessions
	}
	for person, likes := range f.Preferences {
		if likes.Check() == nil {
			s.likes[person] = likes
		}
	}
	return s, nil
}

func (s *sessions) text() ([]byte, error) {
	text, err := json.Marshal(sessionsFile{sessionsVersion, s.by, s.likes})
	return append(text, '\n'), err
}
