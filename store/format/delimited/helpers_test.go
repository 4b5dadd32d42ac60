package delimited_test

import "runtime"

// memory is what was allocated so far in all, whether or not it is still in use.
func memory() uint64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.TotalAlloc
}
