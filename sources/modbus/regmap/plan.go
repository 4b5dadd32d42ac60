package regmap

// Plan groups values into the fewest requests: none crosses tables, is longer
// than limits.Registers, or reads more than limits.Bridge unmapped registers in a row.
// Among plans of that many requests it reads the fewest registers.
func Plan(values []Value, limits Limits) []Read { return nil }

// Split is the read as exact requests without unmapped registers between the
// values: what to ask when a drive refuses a bridged read with exception 02.
func (r Read) Split(values []Value) []Read { return nil }

// Image is what was read of a drive. The zero Image is empty and ready to use.
type Image struct {
	parts []part
}

type part struct {
	read  Read
	bytes []byte
}

// Add puts an answer into the image: 2 bytes a register, or 1 byte a bit.
// A later answer covers an earlier one. Short answers are ignored.
func (img *Image) Add(r Read, b []byte) {}

// Get decodes a value; ok is false where its registers weren't all read.
func (img Image) Get(v Value) (reading Reading, ok bool) { return Reading{}, false }
