package main

import "os"

// hangups never has anything to receive: the service library takes no other
// control than stop. `faultkeep reload` does the same.
func hangups() (<-chan os.Signal, func()) { return nil, func() {} }
