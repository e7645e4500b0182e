package access

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// Cost of a hash: 19 MiB, two passes, one lane.
//
// Source: OWASP Password Storage Cheat Sheet, "Argon2id", the second of its equal
// configurations (m=19456, t=2, p=1) - from memory, not confirmed.
const (
	memoryKiB = 19456
	passes    = 2
	lanes     = 1
	saltBytes = 16
	keyBytes  = 32

	// A file's hash may ask for more than ours, within what one sign-in may cost.
	mostMemoryKiB = 1 << 18
	mostPasses    = 16
	mostLanes     = 8
)

// Length of a password, in letters. The least is that of a password that stands alone
// in NIST SP 800-63B-4, section 3.1.1.2 - from memory, not confirmed.
const (
	LeastPassword = 15
	MostPassword  = 200
)

// Hasher works out password hashes, a bounded number at once: each takes memory, and
// whoever sends many sign-ins must not take it all.
type Hasher struct{ room chan struct{} }

// NewHasher returns a Hasher that works out at most this many at once.
func NewHasher(atOnce int) *Hasher { return &Hasher{room: make(chan struct{}, atOnce)} }

// ErrBusy is the answer when too many sign-ins wait for a hash.
var ErrBusy = errors.New("too many people are signing in at once: try again in a moment")

func (h *Hasher) enter(ctx context.Context) error {
	select {
	case h.room <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ErrBusy
	}
}

// CheckPassword says what is wrong with a new password.
func CheckPassword(password string) error {
	switch n := utf8.RuneCountInString(password); {
	case !utf8.ValidString(password):
		return errors.New("password: got bytes that are not UTF-8, want text")
	case n < LeastPassword:
		return fmt.Errorf("password: got %d letters, want %d at least (a sentence is easy to keep)", n, LeastPassword)
	case n > MostPassword:
		return fmt.Errorf("password: got %d letters, want %d at most", n, MostPassword)
	}
	return nil
}

// Hash returns the argon2id hash of a password with a new salt, in the form of the
// PHC string format: $argon2id$v=19$m=19456,t=2,p=1$salt$hash.
func (h *Hasher) Hash(ctx context.Context, password string) (string, error) {
	salt := make([]byte, saltBytes)
	_, _ = rand.Read(salt) // never fails: crypto/rand ends the program instead
	if err := h.enter(ctx); err != nil {
		return "", err
	}
	defer func() { <-h.room }()
	key := argon2.IDKey([]byte(password), salt, passes, memoryKiB, lanes, keyBytes)
	b64 := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memoryKiB, passes, lanes, b64(salt), b64(key)), nil
}

// Verify tells whether the password is the hash's. An empty hash costs as much as any
// and is nobody's: the time that an answer takes does not tell whether a person is known.
func (h *Hasher) Verify(ctx context.Context, hash, password string) (bool, error) {
	p, err := parsePHC(hash)
	known := hash != ""
	if known && err != nil {
		return false, err
	}
	if !known {
		p = phc{memory: memoryKiB, passes: passes, lanes: lanes, salt: make([]byte, saltBytes), key: make([]byte, keyBytes)}
	}
	if utf8.RuneCountInString(password) > MostPassword {
		return false, nil
	}
	if err := h.enter(ctx); err != nil {
		return false, err
	}
	defer func() { <-h.room }()
	got := argon2.IDKey([]byte(password), p.salt, p.passes, p.memory, p.lanes, uint32(len(p.key)))
	return subtle.ConstantTimeCompare(got, p.key) == 1 && known, nil
}

type phc struct {
	memory, passes uint32
	lanes          uint8
	salt, key      []byte
}

func parsePHC(text string) (p phc, err error) {
	const want = "want $argon2id$v=19$m=...,t=...,p=...$salt$hash"
	parts := strings.Split(text, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return p, errors.New("hash: " + want)
	}
	var n int
	if n, err = fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &p.memory, &p.passes, &p.lanes); err != nil || n != 3 ||
		parts[3] != fmt.Sprintf("m=%d,t=%d,p=%d", p.memory, p.passes, p.lanes) {
		return p, fmt.Errorf("hash: cost %.40q, %s", parts[3], want)
	}
	if p.memory < 8 || p.memory > mostMemoryKiB || p.passes < 1 || p.passes > mostPasses || p.lanes < 1 || p.lanes > mostLanes {
		return p, fmt.Errorf("hash: cost %s, want m from 8 to %d, t from 1 to %d, p from 1 to %d", parts[3], mostMemoryKiB, mostPasses, mostLanes)
	}
	b64 := base64.RawStdEncoding.Strict()
	if p.salt, err = b64.DecodeString(parts[4]); err == nil {
		p.key, err = b64.DecodeString(parts[5])
	}
	if err != nil || len(p.salt) < 8 || len(p.salt) > 64 || len(p.key) < 16 || len(p.key) > 64 {
		return p, errors.New("hash: salt of 8 to 64 bytes and hash of 16 to 64 in base64, " + want)
	}
	return p, nil
}
