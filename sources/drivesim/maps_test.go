package drivesim_test

import (
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"faultkeep/sources/drivesim"
)

var update = flag.Bool("update", false, "write the shipped maps anew")

var start = time.Date(2026, 11, 25, 3, 0, 0, 0, time.UTC)

// The shipped maps are those of the simulated drives with their defaults.
func TestShippedMaps(t *testing.T) {
	for _, face := range []drivesim.Face{drivesim.Block, drivesim.Window, drivesim.Files} {
		t.Run(string(face), func(t *testing.T) {
			file := filepath.Join("..", "..", "configs", "maps", "sim-"+string(face)+".yaml")
			text := drivesim.New(drivesim.Spec{Name: "x", Face: face}, start).Map()
			if *update {
				if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			shipped, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if string(shipped) != text {
				t.Errorf("%s is not what the drive says; run go test -update", file)
			}
		})
	}
}
