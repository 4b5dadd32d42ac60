//go:build !linux

package storetest

import "testing"

// SmallVolume is a folder on a volume of its own with size bytes; only on Linux.
func SmallVolume(t testing.TB, size int64) string {
	t.Skip("small volumes are made on Linux only")
	return ""
}
