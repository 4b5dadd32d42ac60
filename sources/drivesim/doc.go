// Package drivesim is a plant of simulated drives: two-mass mechanics behind a
// PI speed loop, a DC link, protection limits that decide the trips, a recorder
// that is as volatile as a real one, and a Modbus TCP server in front.
//
// It is the counterpart that the rest of faultkeep is tried against, so it
// shares no frame, register or map code with the rooms that read drives.
//
// A Drive is lazy: it has no goroutine and no clock. Every method is told the
// time, everything that was due until then happens first, in order, and the
// same Seed gives the same plant. It therefore runs as well in virtual time.
package drivesim
