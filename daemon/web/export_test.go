package web

// Answers are the patterns under which the API answers.
func Answers(o Options) []string {
	s := &server{Options: o, look: newLook(), pictures: newPictures()}
	s.routes()
	return s.answers
}
