package login_test

import (
	"testing"

	"faultkeep/daemon/login"
)

func TestWithOtherUsers(t *testing.T) {
	anna := login.User{Name: "anna", Role: login.Technician, Hash: login.Hash("a long pass phrase")}
	berit := login.User{Name: "berit", Role: login.Technician, Hash: login.Hash("another long pass phrase")}
	old, err := login.New([]login.User{anna, berit})
	if err != nil {
		t.Fatal(err)
	}
	enter := func(name, password string) string {
		t.Helper()
		id, err := old.Login(t.Context(), name, password, "192.0.2.7:1234")
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	a, b := enter("anna", "a long pass phrase"), enter("berit", "another long pass phrase")
	berit.Role = login.Viewer
	next, err := old.With([]login.User{anna, berit})
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := next.Who(a, true); !ok {
		t.Error("a user who is the same was logged out")
	}
	for _, d := range []*login.Desk{old, next} { // requests under way still ask the old one
		if u, ok := d.Who(b, true); ok {
			t.Errorf("a user who may do less is still logged in as a %s", u.Role)
		}
	}
}
