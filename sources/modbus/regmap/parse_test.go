package regmap_test

import (
	"testing"

	"faultkeep/configs"
	"faultkeep/sources/modbus/regmap"
)

func TestShippedMapsAreRight(t *testing.T) {
	for _, name := range configs.Maps() {
		src, err := configs.Map(name)
		if err != nil {
			t.Fatal(err)
		}
		m, problems := regmap.Parse(name+".yaml", src)
		if len(problems) > 0 {
			t.Errorf("%v", problems)
		}
		if m.Name != name {
			t.Errorf("%s.yaml calls itself %s", name, m.Name)
		}
	}
}
