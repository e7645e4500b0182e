package notify

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// verdict is what an answer means beside its error.
type verdict struct {
	refused bool          // for good
	after   time.Duration // the receiver asks for so long a pause
}

// wordsBytes is how much of an answer's text is kept.
const wordsBytes = 500

// mostAnswer is how much of an answer is read, 64 KiB.
const mostAnswer = 64 << 10

// attempt sends a batch once. It is taken only with a whole answer of 200 to 299.
func (d *webhook) attempt(ctx context.Context, b *batch) (verdict, error) {
	body, err := d.body(b)
	if err != nil {
		return verdict{}, err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, d.w.URL, bytes.NewReader(body))
	if err != nil {
		return verdict{}, errors.New("the address cannot be used")
	}
	stamp := strconv.FormatInt(time.Now().Unix(), 10)
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", d.o.Software)
	req.Header.Set(TimestampHeader, stamp)
	req.Header.Set(SignatureHeader, Sign(d.secret, stamp, body))
	res, err := d.client.Do(req)
	if err != nil {
		return verdict{}, plain(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(io.LimitReader(res.Body, mostAnswer))
	if err == nil && res.StatusCode >= 200 && res.StatusCode < 300 {
		return verdict{}, nil
	}
	if err != nil && res.StatusCode < 300 {
		return verdict{}, fmt.Errorf("%s, but the answer broke off: %w", res.Status, err)
	}
	return judge(res, text, time.Now())
}

// judge says what an answer that is no success means (RFC 9110, section 15).
func judge(res *http.Response, text []byte, now time.Time) (verdict, error) {
	err := fmt.Errorf("the receiver answered %s%s", res.Status, saying(text))
	code := res.StatusCode
	switch {
	case code >= 300 && code < 400:
		return verdict{}, fmt.Errorf("the receiver answered %s: redirects are not followed", res.Status)
	case code >= 400 && code < 500 && code != http.StatusRequestTimeout && code != http.StatusTooManyRequests:
		return verdict{refused: true}, err
	}
	return verdict{after: retryAfter(res.Header.Get("Retry-After"), now)}, err
}

// saying returns the receiver's words, on one line.
func saying(text []byte) string {
	s := strings.ToValidUTF8(string(text[:min(len(text), wordsBytes)]), "")
	s = strings.Join(strings.FieldsFunc(s, func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) }), " ")
	if s == "" {
		return ""
	}
	return ": " + s
}

// retryAfter reads a Retry-After, seconds or a date (RFC 9110, section 10.2.3); more
// than an hour is taken for an hour, and what cannot be read for nothing.
func retryAfter(s string, now time.Time) time.Duration {
	if n, err := strconv.ParseUint(strings.TrimSpace(s), 10, 32); err == nil {
		return min(time.Duration(n)*time.Second, mostAsked)
	}
	t, err := http.ParseTime(s)
	if err != nil {
		return 0
	}
	return max(0, min(t.Sub(now), mostAsked))
}

// plain takes the address out of an error: it may hold a secret.
func plain(err error) error {
	if u := new(url.Error); errors.As(err, &u) {
		if u.Timeout() {
			return fmt.Errorf("no answer in time: %w", u.Err)
		}
		return u.Err
	}
	return err
}
