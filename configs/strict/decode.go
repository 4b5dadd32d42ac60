package strict

// Decode reads src into out, a pointer to a struct whose fields carry `yaml:"key"`
// tags, and returns every problem of the file at once, in the order of lines.
// Fields that the file leaves out keep what out held before, so out carries
// the defaults. The Doc is never nil; it places the problems that later checks find.
func Decode(file string, src []byte, out any) (*Doc, Problems) {
	return &Doc{file: file}, nil
}

// Plain is a type that can be written as one plain value, such as a Duration.
// A struct that implements it can be written either way: plain, or as a mapping of its fields.
type Plain interface {
	// UnmarshalPlain reads the text as written in the file, without quotes.
	// It returns what is wrong, in words that follow the field's name, and what
	// to do; problem is empty where nothing is wrong.
	UnmarshalPlain(text string) (problem, hint string)
}
