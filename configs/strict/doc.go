package strict

// Doc knows where everything stands in a file that was read. Paths are written
// as in Problem.Field: drives[2].poll, signals.3.name.
type Doc struct {
	file string
}

// Problem places a problem at a value, or, where the path isn't in the file,
// at the innermost part of the path that is.
func (d *Doc) Problem(path, text, hint string) Problem {
	return Problem{File: d.file, Field: path, Text: text, Hint: hint}
}

// KeyProblem places a problem at the key of a value.
func (d *Doc) KeyProblem(path, text, hint string) Problem {
	return Problem{File: d.file, Field: path, Text: text, Hint: hint}
}

// Has tells whether the file gives the path a value.
func (d *Doc) Has(path string) bool { return false }

// Nearest is the known word that was probably meant, or "".
func Nearest(word string, known []string) string { return "" }

// Sort orders problems by file, line and column, and drops doubles.
func (p Problems) Sort() {}
