package intake

import (
	"faultkeep/daemon/archive"
	"faultkeep/sources/folder"
)

// Keeper keeps through an archive.
func Keeper(in archive.Intake) folder.Drafter { return keeper{in} }
