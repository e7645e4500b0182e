package dashboard_test

import (
	"encoding/base64"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"hoistward/dashboard"
	"hoistward/dashboard/access"

	"github.com/chromedp/chromedp"
	"golang.org/x/crypto/argon2"
)

// signedIn serves the cabin with accounts and opens it as a person whose password is
// "the pipe is in the slips".
func signedIn(t *testing.T, d *desk, account access.Account) *browser {
	t.Helper()
	dir := t.TempDir()
	b64 := base64.RawStdEncoding.EncodeToString
	key := argon2.IDKey([]byte("the pipe is in the slips"), []byte("saltsalt"), 1, 8, 1, 32) // cheap: a test signs in often
	account.Hash = fmt.Sprintf("$argon2id$v=19$m=8,t=1,p=1$%s$%s", b64([]byte("saltsalt")), b64(key))
	account.Rigs, account.Changed = []string{rigName}, time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	var all access.Accounts
	all.Put(account)
	if err := all.Write(filepath.Join(dir, access.AccountsFile)); err != nil {
		t.Fatal(err)
	}
	gate, err := access.Open(dir, time.Now(), func(err error) { t.Error(err) })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := gate.Close(); err != nil {
			t.Error(err)
		}
	})
	l := serveLive(t, dashboard.Options{Desk: d, Gate: gate})
	l.show(testDue)
	b := startBrowser(t)
	b.do(chromedp.Navigate(l.url + "/cabin/" + rigName))
	b.until(`document.getElementById("enter")`)
	b.fill("person", account.Person)
	b.fill("password", "the pipe is in the slips")
	b.do(chromedp.Click(chromedp.ID("enter")))
	b.until(`document.getElementById("stale")?.hidden && document.querySelector(".alarm .open")`)
	return b
}

// What a role may not, its page does not offer, and says so.
func TestCabinByRole(t *testing.T) {
	for _, c := range []struct {
		account             access.Account
		ack, shelve, remove bool
		reference           bool
		says                string
	}{
		{access.Account{Person: "Watcher", Role: access.Watch}, false, false, false, false, "signed in to watch"},
		{access.Account{Person: "Driller", Role: access.Acknowledge}, true, true, false, false, "those who manage"},
		{access.Account{Person: "Engineer", Role: access.Manage}, true, true, true, true, ""},
	} {
		t.Run(c.account.Person, func(t *testing.T) {
			d := &desk{}
			b := signedIn(t, d, c.account)
			b.until(fmt.Sprintf(`document.getElementById("you-button").innerText === %q`, c.account.Person))
			b.do(chromedp.Click(chromedp.CSS(".alarm .open")))
			b.until(`document.getElementById("card").open`)
			for id, want := range map[string]bool{"card-ack": c.ack, "card-shelve": c.shelve, "card-remove": c.remove} {
				b.until(fmt.Sprintf(`document.getElementById(%q).checkVisibility() === %v`, id, want))
			}
			if got := eval[bool](b, `document.querySelector(".alarm .ack").checkVisibility()`); got != c.ack {
				t.Errorf("acknowledge in the list is offered: %v, want %v", got, c.ack)
			}
			if text := b.text("card-may"); !strings.Contains(text, c.says) || c.says == "" && text != "" {
				t.Errorf("the card says %q, want %q in it", text, c.says)
			}
			b.do(chromedp.Click(chromedp.ID("service-button")))
			b.until(fmt.Sprintf(`document.querySelector('[data-form="reference_set"]').disabled === %v && document.querySelector('[data-form="line_cut"]').disabled === %v`, !c.reference, !c.ack))
			if c.ack {
				b.do(chromedp.Click(chromedp.CSS(".alarm .ack")))
				eventually(t, "acknowledged under the account's name", func() bool { a := d.taken(); return len(a) == 1 && a[0].Person == c.account.Person })
			}
			b.noComplaints()
		})
	}
}

// Units and colours go with the account to another screen.
func TestLikesGoWithTheAccount(t *testing.T) {
	b := signedIn(t, &desk{}, access.Account{Person: "Engineer", Role: access.Manage})
	b.do(chromedp.Click(chromedp.ID("you-button")), chromedp.Click(chromedp.ID("units-button")),
		chromedp.Click(chromedp.ID("theme-button")), chromedp.Click(chromedp.ID("theme-button")))
	b.until(`document.documentElement.dataset.theme === "night" && document.querySelector("#load .value").innerText.includes("klbf")`)
	likes := `fetch("/api/me").then((r) => r.json()).then((me) => JSON.stringify(me.preferences))`
	eventually(t, "kept with the account", func() bool {
		text, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](likes, chromedp.EvalAwaitPromise))
		return err == nil && text == `{"units":"oilfield","theme":"night"}`
	})
	eval[string](b, `localStorage.clear() ?? ""`) // as another screen would be
	b.do(chromedp.Reload())
	b.until(`document.getElementById("stale").hidden && document.documentElement.dataset.theme === "night" && document.querySelector("#load .value").innerText.includes("klbf")`)
	b.do(chromedp.Click(chromedp.ID("you-button")), chromedp.Click(chromedp.ID("sign-out")))
	b.until(`location.pathname === "/sign-in" && document.getElementById("enter")`)
}
