package access

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// accountsVersion is the form of the file that this program writes and reads.
const accountsVersion = 1

// Limits of the file of accounts.
const (
	mostAccounts   = 2000
	mostFile       = 4 << 20 // bytes
	mostPersonName = 60      // letters, as an act's
	mostRigs       = 2000    // named for one person
)

// Account is one person, or one cabin terminal.
type Account struct {
	Person  string    `json:"person"`
	Hash    string    `json:"hash"` // argon2id, PHC string format
	Role    Role      `json:"role"`
	Rigs    []string  `json:"rigs"` // names, or AllRigs alone
	Station bool      `json:"station,omitempty"`
	Changed time.Time `json:"changed"` // of password, role, rigs or kind: sessions from before are over
}

// Rights of the account.
func (a *Account) Rights() Rights {
	return Rights{Person: a.Person, Role: a.Role, Rigs: slices.Clone(a.Rigs), Station: a.Station}
}

// Check says what is wrong with an account.
func (a *Account) Check() error {
	if err := a.CheckRights(); err != nil {
		return err
	}
	if _, err := parsePHC(a.Hash); err != nil {
		return fmt.Errorf("%s: %w", a.Person, err)
	}
	return nil
}

// CheckRights says what is wrong with all but the password.
func (a *Account) CheckRights() error {
	if err := CheckPerson(a.Person); err != nil {
		return err
	}
	switch {
	case a.Role < Watch || a.Role > Manage:
		return fmt.Errorf("%s: role: got none, want one of watch, acknowledge, manage", a.Person)
	case len(a.Rigs) == 0:
		return fmt.Errorf("%s: rigs: got none, want names of rigs, or %s for all", a.Person, AllRigs)
	case len(a.Rigs) > mostRigs:
		return fmt.Errorf("%s: rigs: got %d, want %d at most, or %s", a.Person, len(a.Rigs), mostRigs, AllRigs)
	case slices.Contains(a.Rigs, ""):
		return fmt.Errorf("%s: rigs: got an empty name", a.Person)
	case slices.Contains(a.Rigs, AllRigs) && len(a.Rigs) > 1:
		return fmt.Errorf("%s: rigs: got %s beside names, want one or the other", a.Person, AllRigs)
	case a.Station && a.Role > Acknowledge:
		return fmt.Errorf("%s: a station's role: got %s, want watch or acknowledge: it is whoever stands before it", a.Person, a.Role)
	case a.Station && (len(a.Rigs) != 1 || a.Rigs[0] == AllRigs):
		return fmt.Errorf("%s: a station's rigs: got %s, want the one rig that it stands on", a.Person, strings.Join(a.Rigs, ", "))
	}
	return nil
}

// CheckPerson says what is wrong with a person's name.
func CheckPerson(name string) error {
	switch n := utf8.RuneCountInString(name); {
	case n == 0:
		return errors.New("person: got nothing, want a name")
	case n > mostPersonName:
		return fmt.Errorf("person: got %d letters, want %d at most", n, mostPersonName)
	case !utf8.ValidString(name) || strings.ContainsFunc(name, unicode.IsControl) || strings.TrimSpace(name) != name:
		return fmt.Errorf("person: got %.60q, want plain text without spaces around it", name)
	}
	return nil
}

type accountsFile struct {
	Version  int       `json:"version"`
	Accounts []Account `json:"accounts"`
}

// Accounts is the file of accounts as it was read.
type Accounts struct {
	list []Account // by name
}

// ReadAccounts reads the file; a missing one is no accounts. It refuses a file that
// others on the machine may read or write, one of a newer version, and one with a
// mistake in it: half a list of who may do what is none.
func ReadAccounts(path string) (*Accounts, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return &Accounts{}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("accounts: %w", err)
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 && modesMean {
		return nil, fmt.Errorf("accounts: %s: got mode %04o, which others may use, want 0600 (chmod 600)", path, mode)
	}
	if info.Size() > mostFile {
		return nil, fmt.Errorf("accounts: %s: got %d bytes, want %d at most", path, info.Size(), mostFile)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("accounts: %w", err)
	}
	a, err := parseAccounts(text)
	if err != nil {
		return nil, fmt.Errorf("accounts: %s: %w", path, err)
	}
	return a, nil
}

func parseAccounts(text []byte) (*Accounts, error) {
	var version struct {
		Version int `json:"version"`
	}
	if err := json.Unmarshal(text, &version); err != nil {
		return nil, err
	}
	if version.Version != accountsVersion {
		return nil, fmt.Errorf("version: got %d, want %d: it was written by another hoistward", version.Version, accountsVersion)
	}
	var f accountsFile
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		return nil, err
	}
	if len(f.Accounts) > mostAccounts {
		return nil, fmt.Errorf("got %d accounts, want %d at most", len(f.Accounts), mostAccounts)
	}
	a := &Accounts{}
	for i := range f.Accounts {
		if err := f.Accounts[i].Check(); err != nil {
			return nil, err
		}
		if a.find(f.Accounts[i].Person) != nil {
			return nil, fmt.Errorf("%s: got two accounts of that name", f.Accounts[i].Person)
		}
		a.Put(f.Accounts[i])
	}
	return a, nil
}

// Write replaces the file, whole or not at all, readable by its owner alone.
func (a *Accounts) Write(path string) error {
	text, err := a.text()
	if err == nil {
		err = replaceFile(path, text)
	}
	if err != nil {
		return fmt.Errorf("accounts: %w", err)
	}
	return nil
}

func (a *Accounts) text() ([]byte, error) {
	text, err := json.MarshalIndent(accountsFile{accountsVersion, a.list}, "", "  ")
	return append(text, '\n'), err
}

// EditAccounts reads the file, lets edit change what is in it, and writes it again. A
// file that somebody else changed in between is left as it is.
func EditAccounts(path string, edit func(*Accounts) error) error {
	a, err := ReadAccounts(path)
	if err != nil {
		return err
	}
	before, err := a.text()
	if err != nil {
		return err
	}
	if err := edit(a); err != nil {
		return err
	}
	now, err := ReadAccounts(path)
	if err != nil {
		return err
	}
	if text, err := now.text(); err != nil || !bytes.Equal(text, before) {
		return fmt.Errorf("accounts: %s: somebody else changed it at the same moment: nothing was written, try again", path)
	}
	return a.Write(path)
}

// Len is how many accounts there are.
func (a *Accounts) Len() int { return len(a.list) }

// All lists the accounts by name.
func (a *Accounts) All() []Account { return slices.Clone(a.list) }

// Find returns the account of that name; names that differ in case alone are one.
func (a *Accounts) Find(person string) (Account, bool) {
	if found := a.find(person); found != nil {
		return *found, true
	}
	return Account{}, false
}

func (a *Accounts) find(person string) *Account {
	for i := range a.list {
		if strings.EqualFold(a.list[i].Person, person) {
			return &a.list[i]
		}
	}
	return nil
}

// Put adds the account, or takes the place of the one of its name.
func (a *Accounts) Put(account Account) {
	if found := a.find(account.Person); found != nil {
		*found = account
		return
	}
	a.list = append(a.list, account)
	slices.SortFunc(a.list, func(x, y Account) int { return strings.Compare(x.Person, y.Person) })
}

// Remove takes the account away, and tells whether there was one.
func (a *Accounts) Remove(person string) bool {
	before := len(a.list)
	a.list = slices.DeleteFunc(a.list, func(x Account) bool { return strings.EqualFold(x.Person, person) })
	return len(a.list) < before
}
