package webhook

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
)

// The headers of a signed request.
const (
	TimestampHeader = "Faultkeep-Timestamp" // when it was sent, in seconds since 1970
	SignatureHeader = "Faultkeep-Signature"
)

// sign is the signature of a request: HMAC-SHA256 (RFC 2104) of the time, a
// point and the body. The time is in it so that a receiver can turn away an
// old request that somebody sends again.
func sign(key, seconds string, body []byte) string {
	mac := hmac.New(sha256.New, []byte(key))
	mac.Write([]byte(seconds + ".")) // a hash takes every write
	mac.Write(body)
	return "sha256=" + hex.EncodeToString(mac.Sum(nil))
}
