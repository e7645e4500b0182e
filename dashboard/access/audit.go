package access

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// Size of the audit: the file and the one before it, each of mostAudit bytes at most.
// What is older is gone: a site that must keep more collects the file.
const mostAudit = 8 << 20

// Entry is one line of the audit: who did what, from where, and how it ended.
type Entry struct {
	At      time.Time `json:"at"`
	Person  string    `json:"person"`  // as it was given, where nobody is known by it
	Address string    `json:"address"` // of the peer
	What    string    `json:"what"`    // sign_in, sign_out, act, refused, account_added and the like
	Rig     string    `json:"rig,omitempty"`
	Detail  string    `json:"detail,omitempty"`
	Outcome string    `json:"outcome"` // done, or why not
}

const longestText = 300 // bytes of one text in the audit

// audit is the file of who did what, JSON lines. Not for use by two goroutines at once.
type audit struct {
	path string
	file *os.File
	size int64
}

func openAudit(path string) (*audit, error) {
	a := &audit{path: path}
	if err := a.open(); err != nil {
		return nil, err
	}
	return a, nil
}

func (a *audit) open() error {
	f, err := os.OpenFile(a.path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("audit: %w", err)
	}
	info, err := f.Stat()
	if err != nil {
		f.Close()
		return fmt.Errorf("audit: %w", err)
	}
	a.file, a.size = f, info.Size()
	return nil
}

// write appends one line, and begins a new file when this one is full.
func (a *audit) write(e Entry) error {
	line, err := e.line()
	if err != nil {
		return err
	}
	if info, err := a.file.Stat(); err == nil {
		a.size = info.Size() // the command line writes there too
	}
	if a.size > 0 && a.size+int64(len(line)) > mostAudit {
		if err := a.turn(); err != nil {
			return err
		}
	}
	n, err := a.file.Write(line)
	a.size += int64(n)
	if err != nil {
		return fmt.Errorf("audit: %w", err)
	}
	return nil
}

func (e Entry) line() ([]byte, error) {
	for _, text := range []*string{&e.Person, &e.Address, &e.Rig, &e.Detail, &e.Outcome} {
		if len(*text) > longestText {
			*text = strings.ToValidUTF8((*text)[:longestText], "")
		}
	}
	line, err := json.Marshal(e)
	if err != nil {
		return nil, fmt.Errorf("audit: %w", err)
	}
	return append(line, '\n'), nil
}

// turn puts the full file aside, in place of the one before.
func (a *audit) turn() error {
	a.file.Close()
	if err := os.Rename(a.path, a.path+".1"); err != nil {
		return errors.Join(fmt.Errorf("audit: %w", err), a.open())
	}
	return a.open()
}

func (a *audit) close() error { return a.file.Close() }

// NoteChange writes one line into the audit of a folder whose Gate may be open in
// another process; it begins no new file.
func NoteChange(dir string, e Entry) error {
	a, err := openAudit(filepath.Join(dir, auditFile))
	if err != nil {
		return err
	}
	line, err := e.line()
	if err == nil {
		_, err = a.file.Write(line)
	}
	return errors.Join(err, a.close())
}
