//go:build linux || darwin || freebsd

package store

import "golang.org/x/sys/unix"

// FreeSpace is how many bytes this account can still write to the volume that
// holds the folder.
func FreeSpace(folder string) (int64, error) {
	var st unix.Statfs_t
	for {
		err := unix.Statfs(folder, &st)
		if err == unix.EINTR {
			continue
		}
		if err != nil {
			return 0, err
		}
		return int64(max(0, st.Bavail)) * int64(st.Bsize), nil //nolint:unconvert // its type differs by system
	}
}
