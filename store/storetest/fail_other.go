//go:build !linux

package storetest

import "testing"

// FailWrites makes writes to an open file fail; only on Linux.
func FailWrites(t testing.TB, _ string) {
	t.Helper()
	t.Skip("writes to an open file can't be made to fail here")
}
