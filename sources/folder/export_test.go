package folder

// The computer's own disk and the unpacking of archives, for tests.
var (
	OSDisk   Disk = osDisk{}
	Unpack        = unpack
	Shown         = shown
	WantedOf      = wantedSets
)

// What tests hold the limits to.
const (
	MostArchive = mostArchive
	MostMembers = mostMembers
	MostRepeats = mostRepeats
)
