package access

import (
	"encoding/base64"

	"golang.org/x/crypto/argon2"
)

var cheapKey = base64.RawStdEncoding.EncodeToString(argon2.IDKey([]byte(word), []byte("saltsalt"), 1, 8, 1, 32))
