package store_test

import (
	"testing"

	"faultkeep/store/storetest"
)

func TestSmoke(t *testing.T) {
	s := storetest.New(t, storetest.To("log"))
	for n := range 20 {
		storetest.Keep(t, s, "elevator", n, 8, 1000)
	}
}
