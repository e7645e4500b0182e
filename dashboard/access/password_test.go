package access

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"strings"
	"testing"
)

func TestPasswordOfAnotherProgramIsKnown(t *testing.T) {
	// The reference implementation's own program, phc-winner-argon2, from Debian.
	tool, err := exec.LookPath("argon2")
	if err != nil {
		if os.Getenv("HOISTWARD_TOOLS") == "required" {
			t.Fatal(err)
		}
		t.Skip("no argon2")
	}
	const password = "a long sentence of a driller"
	cmd := exec.Command(tool, "saltsaltsaltsalt", "-id", "-t", "3", "-k", "4096", "-p", "2", "-l", "32", "-e")
	cmd.Stdin = strings.NewReader(password)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	hash := string(bytes.TrimSpace(out))
	for given, want := range map[string]bool{password: true, password + "s": false, "": false} {
		if got, err := NewHasher(1).Verify(t.Context(), hash, given); err != nil || got != want {
			t.Errorf("Verify(%q, %q) = %v, %v, want %v", hash, given, got, err, want)
		}
	}
}

func TestHashIsOnlyItsPasswords(t *testing.T) {
	h := NewHasher(1)
	one, err := h.Hash(t.Context(), "correct horse battery")
	if err != nil {
		t.Fatal(err)
	}
	two, _ := h.Hash(t.Context(), "correct horse battery")
	if one == two {
		t.Error("two hashes have one salt")
	}
	if !strings.HasPrefix(one, "$argon2id$v=19$m=19456,t=2,p=1$") {
		t.Errorf("form of %s", one)
	}
	for given, want := range map[string]bool{"correct horse battery": true, "correct horse batterY": false} {
		if got, err := h.Verify(t.Context(), one, given); err != nil || got != want {
			t.Errorf("%q: %v, %v", given, got, err)
		}
	}
	if got, err := h.Verify(t.Context(), "", ""); got || err != nil {
		t.Errorf("nobody's hash: %v, %v", got, err)
	}
}

func TestHashesThatAreNoneAreRefused(t *testing.T) {
	good := "$argon2id$v=19$m=64,t=1,p=1$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA"
	if _, err := parsePHC(good); err != nil {
		t.Fatal(err)
	}
	for what, change := range map[string][2]string{
		"kind":     {"argon2id", "argon2i"},
		"version":  {"v=19", "v=16"},
		"memory":   {"m=64", "m=4000000"},
		"no cost":  {"m=64,t=1,p=1", "m=64"},
		"spaces":   {"m=64", "m= 64"},
		"no salt":  {"$c2FsdHNhbHQ", "$"},
		"bad hash": {"c2FsdHNhbHRzYWx0c2FsdA", "????"},
		"more":     {"$argon2id", "$$argon2id"},
	} {
		text := strings.Replace(good, change[0], change[1], 1)
		if _, err := parsePHC(text); err == nil || !strings.HasPrefix(err.Error(), "hash: ") {
			t.Errorf("%s: %s: %v", what, text, err)
		}
	}
}

func TestHashersRoomIsBounded(t *testing.T) {
	h := NewHasher(1)
	h.room <- struct{}{}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := h.Verify(ctx, "", "x"); err != ErrBusy {
		t.Errorf("got %v, want %v", err, ErrBusy)
	}
	if _, err := h.Hash(ctx, "x"); err != ErrBusy {
		t.Errorf("got %v, want %v", err, ErrBusy)
	}
}

func TestNewPasswordsAreLongEnough(t *testing.T) {
	for password, good := range map[string]bool{
		strings.Repeat("ä", LeastPassword): true, strings.Repeat("ä", LeastPassword-1): false,
		strings.Repeat("a", MostPassword): true, strings.Repeat("a", MostPassword+1): false, "\xff" + strings.Repeat("a", 30): false,
	} {
		if err := CheckPassword(password); (err == nil) != good {
			t.Errorf("%q: %v", password, err)
		}
	}
}

func FuzzParsePHC(f *testing.F) {
	f.Add("$argon2id$v=19$m=64,t=1,p=1$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA")
	f.Fuzz(func(t *testing.T, text string) {
		p, err := parsePHC(text)
		if err == nil && (p.memory > mostMemoryKiB || p.passes > mostPasses || len(p.salt) < 8 || len(p.key) > 64) {
			t.Errorf("%q costs more than it may: %+v", text, p)
		}
	})
}
