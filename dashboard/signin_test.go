package dashboard_test

import (
	"encoding/base64"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"hoistward/dashboard"
	"hoistward/dashboard/access"

	"github.com/chromedp/chromedp"
	"golang.org/x/crypto/argon2"
)

// In a real browser: the page that was asked for is reached by way of the sign-in page, a
// wrong password is said, and an act carries the signed-in name.
func TestSignInFromThePage(t *testing.T) {
	const word = "the pipe is in the slips"
	b64 := base64.RawStdEncoding.EncodeToString
	hash := fmt.Sprintf("$argon2id$v=19$m=8,t=1,p=1$%s$%s", b64([]byte("saltsalt")),
		b64(argon2.IDKey([]byte(word), []byte("saltsalt"), 1, 8, 1, 32)))
	dir, accounts := t.TempDir(), &access.Accounts{}
	accounts.Put(access.Account{Person: "A. Example", Hash: hash, Role: access.Acknowledge, Rigs: []string{rigName}, Changed: time.Now()})
	if err := accounts.Write(filepath.Join(dir, access.AccountsFile)); err != nil {
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
	l := serveLive(t, dashboard.Options{Desk: &desk{}, Gate: gate})
	l.show(base)
	b := startBrowser(t)
	b.do(chromedp.Navigate(l.url + "/cabin/" + rigName))
	b.until(`location.pathname === "/sign-in" && document.getElementById("enter") !== null`)
	b.shoot("sign-in-day")
	try := func(password string) {
		b.do(chromedp.SetValue(chromedp.ID("person"), "A. Example"), chromedp.SetValue(chromedp.ID("password"), password),
			chromedp.Click(chromedp.ID("enter")))
	}
	try("not the password")
	b.until(`document.getElementById("answer").textContent.includes("not right")`)
	if got := eval[string](b, `location.search`); got == "" || len(got) > 60 {
		t.Errorf("the address carries %q", got)
	}
	try(word)
	b.until(`location.pathname === "/cabin/` + rigName + `"`)
	if got := eval[string](b, `document.cookie`); got != "" {
		t.Errorf("scripts can read the cookie: %q", got)
	}
}
