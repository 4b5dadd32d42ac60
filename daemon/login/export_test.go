package login

// Crowd takes every place for those that wait.
func (d *Desk) Crowd() (leave func()) { return fill(d.waiting) }

// Hash takes every place for those that hash.
func (d *Desk) Hash() (leave func()) { return fill(d.hashing) }

func fill(places chan struct{}) (leave func()) {
	for range cap(places) {
		places <- struct{}{}
	}
	return func() {
		for range cap(places) {
			<-places
		}
	}
}

// Matches tells whether a password fits a hash.
func Matches(hash, password string) bool {
	h, err := parse(hash)
	return err == nil && h.matches(password)
}

// Normal is a hash as it is written.
func Normal(hash string) (string, error) {
	h, err := parse(hash)
	return h.String(), err
}
