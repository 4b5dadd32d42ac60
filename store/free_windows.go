package store

import "golang.org/x/sys/windows"

// FreeSpace is how many bytes this account can still write to the volume that
// holds the folder.
func FreeSpace(folder string) (int64, error) {
	path, err := windows.UTF16PtrFromString(folder)
	if err != nil {
		return 0, err
	}
	var free uint64
	if err := windows.GetDiskFreeSpaceEx(path, &free, nil, nil); err != nil {
		return 0, err
	}
	return int64(min(free, 1<<62)), nil
}
