package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"golang.org/x/term"

	"hoistward/configs"
	"hoistward/dashboard/access"
)

// userCmd is who may see and do what on the page. A running monitor takes changes
// within a second.
type userCmd struct {
	Add      userAddCmd      `cmd:"" help:"A person, or with --station a cabin's terminal."`
	List     userListCmd     `cmd:"" help:"Who there is, with role and rigs."`
	Remove   userRemoveCmd   `cmd:"" help:"Take an account away; whoever is signed in with it is out at once."`
	Password userPasswordCmd `cmd:"" help:"A new password; all sessions of the account end."`
	Role     userRoleCmd     `cmd:"" help:"Another role: watch, acknowledge or manage."`
	Rigs     userRigsCmd     `cmd:"" help:"Other rigs."`
}

// userHome says where the accounts are.
type userHome struct {
	Config string `type:"path" placeholder:"SITE.YAML" help:"The site file, for its data folder ..."`
	Data   string `type:"path" placeholder:"FOLDER" help:"... or the data folder itself."`
}

// userPassword says where a password comes from: never from the command line, which
// others on the machine can read.
type userPassword struct {
	PasswordFile string `type:"path" placeholder:"FILE" help:"The password is the first line of this file (mode 0600), or of standard input for -. Without it, it is asked for on the terminal."`
}

func (h *userHome) folder() (string, error) {
	switch {
	case (h.Config == "") == (h.Data == ""):
		return "", usagef("want --config SITE.YAML or --data FOLDER, one of them")
	case h.Data != "":
		if info, err := os.Stat(h.Data); err != nil || !info.IsDir() {
			return "", usagef("--data: got %q, want a data folder that is there", h.Data)
		}
		return filepath.Join(h.Data, accessDir), nil
	}
	site, err := configs.LoadSite(h.Config)
	if err != nil {
		return "", configError(err)
	}
	return filepath.Join(site.Data, accessDir), nil
}

// edit changes the accounts and writes what was done into the audit.
func (h *userHome) edit(what, person string, change func(*access.Accounts) (detail string, err error)) error {
	folder, err := h.folder()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return fmt.Errorf("accounts: %w", err)
	}
	detail := ""
	err = access.EditAccounts(filepath.Join(folder, access.AccountsFile), func(a *access.Accounts) (err error) {
		detail, err = change(a)
		return err
	})
	if err != nil {
		return err
	}
	return access.NoteChange(folder, access.Entry{At: time.Now().UTC(), Person: person, Address: "command line",
		What: "account_" + what, Detail: detail, Outcome: "done"})
}

// existing finds the account that is to be changed.
func existing(a *access.Accounts, person string) (access.Account, error) {
	account, ok := a.Find(person)
	if !ok {
		return account, usagef("person: got %q, want one of the accounts (hoistward user list)", person)
	}
	return account, nil
}

// put checks the changed account and takes it; its sessions end.
func put(a *access.Accounts, account access.Account) error {
	account.Changed = time.Now().UTC()
	if err := account.Check(); err != nil {
		return usageError{err}
	}
	a.Put(account)
	return nil
}

type userAddCmd struct {
	Person string `arg:"" help:"Name, as it stands in the journal with what the person does."`
	Role   string `required:"" placeholder:"ROLE" help:"watch: see; acknowledge: answer alarms, enter tests and line work too; manage: put alarms out of service and set the block's reference too."`
	Rigs   string `default:"*" placeholder:"RIG,RIG" help:"The rigs that the person sees; * = all, also those to come."`
	// Station is for a terminal that stands in a cabin and is not signed out of.
	Station bool `help:"A cabin's terminal: one rig, role acknowledge at most; its session does not end by itself, and who stands there says so with each act."`
	userHome
	userPassword
}

func (c *userAddCmd) Run(s *streams) error {
	role, err := access.ParseRole(c.Role)
	if err != nil {
		return usageError{err}
	}
	account := access.Account{Person: strings.TrimSpace(c.Person), Role: role, Rigs: splitRigs(c.Rigs), Station: c.Station}
	if err := account.CheckRights(); err != nil {
		return usageError{err}
	}
	hash, err := c.hash(s, account.Person)
	if err != nil {
		return err
	}
	account.Hash = hash
	err = c.edit("added", account.Person, func(a *access.Accounts) (string, error) {
		if old, ok := a.Find(account.Person); ok {
			return "", usagef("person: got %q, which there is already (%s)", account.Person, old.Person)
		}
		return rightsWords(&account), put(a, account)
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "%s: %s\n", account.Person, rightsWords(&account))
	return err
}

func splitRigs(text string) []string {
	rigs := strings.Split(text, ",")
	for i := range rigs {
		rigs[i] = strings.TrimSpace(rigs[i])
	}
	return slices.Compact(slices.Sorted(slices.Values(rigs)))
}

func rightsWords(a *access.Account) string {
	kind, rigs := "", strings.Join(a.Rigs, ", ")
	if a.Station {
		kind = "cabin terminal, "
	}
	if rigs == access.AllRigs {
		rigs = "all rigs"
	}
	return kind + a.Role.String() + ", " + rigs
}

type userListCmd struct {
	userHome
}

func (c *userListCmd) Run(s *streams) error {
	folder, err := c.folder()
	if err != nil {
		return err
	}
	a, err := access.ReadAccounts(filepath.Join(folder, access.AccountsFile))
	if err != nil {
		return err
	}
	if a.Len() == 0 {
		_, err := fmt.Fprintln(s.out, "no accounts: the page is for this machine alone, and whoever sits at it may do everything")
		return err
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "person\tkind\trole\trigs\tchanged")
	for _, x := range a.All() {
		kind := "person"
		if x.Station {
			kind = "cabin terminal"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", x.Person, kind, x.Role, strings.Join(x.Rigs, ","), x.Changed.UTC().Format(time.RFC3339))
	}
	return w.Flush()
}

type userRemoveCmd struct {
	Person string `arg:"" help:"Whose account."`
	userHome
}

func (c *userRemoveCmd) Run(s *streams) error {
	err := c.edit("removed", c.Person, func(a *access.Accounts) (string, error) {
		account, err := existing(a, c.Person)
		if err == nil {
			a.Remove(account.Person)
		}
		return rightsWords(&account), err
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "%s: removed\n", c.Person)
	return err
}

type userPasswordCmd struct {
	Person string `arg:"" help:"Whose password."`
	userHome
	userPassword
}

func (c *userPasswordCmd) Run(s *streams) error {
	hash, err := c.hash(s, c.Person)
	if err != nil {
		return err
	}
	return c.change(s, "password", c.Person, func(a *access.Account) error { a.Hash = hash; return nil })
}

type userRoleCmd struct {
	Person string `arg:"" help:"Whose role."`
	Role   string `arg:"" help:"watch, acknowledge or manage."`
	userHome
}

func (c *userRoleCmd) Run(s *streams) error {
	return c.change(s, "role", c.Person, func(a *access.Account) (err error) {
		if a.Role, err = access.ParseRole(c.Role); err != nil {
			return usageError{err}
		}
		return nil
	})
}

type userRigsCmd struct {
	Person string `arg:"" help:"Whose rigs."`
	Rigs   string `arg:"" help:"RIG,RIG or * for all."`
	userHome
}

func (c *userRigsCmd) Run(s *streams) error {
	return c.change(s, "rigs", c.Person, func(a *access.Account) error { a.Rigs = splitRigs(c.Rigs); return nil })
}

// change is one change of one account, told and audited.
func (h *userHome) change(s *streams, what, person string, apply func(*access.Account) error) error {
	words := ""
	err := h.edit(what, person, func(a *access.Accounts) (string, error) {
		account, err := existing(a, person)
		if err == nil {
			err = apply(&account)
		}
		if err == nil {
			err = put(a, account)
		}
		words = rightsWords(&account)
		return words, err
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "%s: %s; who was signed in with it signs in again\n", person, words)
	return err
}

func (p *userPassword) hash(s *streams, person string) (string, error) {
	password, err := p.read(s, person)
	if err != nil {
		return "", err
	}
	if err := access.CheckPassword(password); err != nil {
		return "", usageError{err}
	}
	return access.NewHasher(1).Hash(s.ctx, password)
}

func (p *userPassword) read(s *streams, person string) (string, error) {
	switch p.PasswordFile {
	case "":
		return askPassword(s, person)
	case "-":
		return firstLine(s.in)
	}
	f, err := os.Open(p.PasswordFile)
	if err != nil {
		return "", fmt.Errorf("password file: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return "", fmt.Errorf("password file: %w", err)
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 && runtime.GOOS != "windows" {
		return "", usagef("--password-file: %s: got mode %04o, which others may use, want 0600 (chmod 600)", p.PasswordFile, mode)
	}
	return firstLine(f)
}

// longestLine is more than any password may have.
const longestLine = 4096

func firstLine(r io.Reader) (string, error) {
	line, err := bufio.NewReader(io.LimitReader(r, longestLine)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("password: %w", err)
	}
	line = strings.TrimRight(line, "\r\n")
	if line == "" {
		return "", usagef("password: got nothing in the first line, want the password")
	}
	return line, nil
}

// askPassword asks twice, without showing what is typed.
func askPassword(s *streams, person string) (string, error) {
	in, ok := s.in.(*os.File)
	if !ok || !term.IsTerminal(int(in.Fd())) {
		return "", usagef("password: there is no terminal to ask on, want --password-file FILE, or --password-file - to read it from standard input")
	}
	ask := func(words string) (string, error) {
		fmt.Fprint(s.err, words)
		text, err := readHidden(s.ctx, int(in.Fd()))
		fmt.Fprintln(s.err)
		return text, err
	}
	first, err := ask(fmt.Sprintf("Password for %s (%d letters at least; a sentence is easy to keep): ", person, access.LeastPassword))
	if err != nil {
		return "", err
	}
	second, err := ask("Once more: ")
	if err == nil && first != second {
		err = usagef("password: the two are not the same: nothing was changed")
	}
	return first, err
}

// readHidden reads a line without showing it, and leaves the terminal as it was also
// when it is told to stop.
func readHidden(ctx context.Context, fd int) (string, error) {
	before, err := term.GetState(fd)
	if err != nil {
		return "", fmt.Errorf("password: %w", err)
	}
	type answer struct {
		text []byte
		err  error
	}
	got := make(chan answer, 1)
	go func() { text, err := term.ReadPassword(fd); got <- answer{text, err} }()
	select {
	case a := <-got:
		return string(a.text), a.err
	case <-ctx.Done():
		return "", errors.Join(ctx.Err(), term.Restore(fd, before))
	}
}
