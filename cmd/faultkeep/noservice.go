//go:build !windows

package main

import (
	"fmt"
	"runtime"
)

// noService is the error where the system has no service manager that faultkeep knows.
func noService() error {
	return fmt.Errorf("there is no service manager that faultkeep knows on this machine (%s). Let its own start `faultkeep run --config FILE`", runtime.GOOS)
}
