package store_test

import (
	"errors"
	"fmt"
	"os"
	"runtime"
	"strconv"
	"testing"

	"faultkeep/store"
	"faultkeep/store/storetest"
)

// With this variable the test binary is the process that gets killed.
const childEnv = "FAULTKEEP_STORE_TEST_CHILD"

func TestMain(m *testing.M) {
	if path := os.Getenv(childEnv); path != "" {
		keepLoop(path)
		return
	}
	os.Exit(m.Run())
}

// keepLoop keeps recordings one after another, some in several steps, and
// writes a line for each that Keep acknowledged and each that failed.
func keepLoop(path string) {
	first, _ := strconv.Atoi(os.Getenv(childEnv + "_FIRST"))
	count, _ := strconv.Atoi(os.Getenv(childEnv + "_COUNT"))
	runtime.LockOSThread() // so that what is injected into this thread's system calls can be counted
	s, err := open(path)
	if err != nil {
		fmt.Println("failed", err)
		os.Exit(1)
	}
	switch os.Getenv(childEnv + "_ALSO") {
	case "compact":
		go func() {
			for {
				if _, err := s.Compact(ctx, nil); err != nil {
					fmt.Println("failed", err)
				}
			}
		}()
	case "nosync":
		store.NoSync(s)
	}
	fmt.Println("begin")
	for n := first; n < first+count; n++ {
		c, data := storetest.Recording("elevator", n, 4, 1000+n%7*900)
		for try := 0; ; try++ {
			d, err := s.Draft(ctx, c)
			if errors.Is(err, store.ErrKept) {
				fmt.Println("kept", n)
				break
			}
			if err == nil && n%3 > 0 {
				err = d.Append(ctx, storetest.Chunk(data, 2000, 5000))
			}
			if err == nil && n%3 > 1 {
				err = d.Append(ctx, storetest.Chunk(data, 500, 2600), storetest.Chunk(data, 5500, 6000))
			}
			if err == nil {
				_, err = d.Keep(ctx, c, storetest.Chunk(data, 0, len(data)))
			}
			if err == nil {
				fmt.Println("kept", n)
				break
			}
			fmt.Println("failed", err)
			if try > 20 {
				os.Exit(1)
			}
		}
	}
	if os.Getenv(childEnv+"_ALSO") == "compact at the end" {
		if _, err := s.Compact(ctx, nil); err != nil {
			fmt.Println("failed", err)
		}
	}
	if err := s.Close(); err != nil {
		fmt.Println("failed", err)
		os.Exit(1)
	}
	fmt.Println("done")
}
