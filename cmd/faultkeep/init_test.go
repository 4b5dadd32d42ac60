package main

import (
	"bufio"
	"bytes"
	"strings"
	"testing"

	"faultkeep/daemon/config"
)

func TestInitAsks(t *testing.T) {
	var c initCommand
	var asked bytes.Buffer
	drives, err := c.ask(bufio.NewReader(strings.NewReader("Northquay\n\n\nbelt 2\nbelt-2=192.0.2.12\nbelt-3=192.0.2.20,3\n\n")), &asked)
	if err != nil || c.Site != "Northquay" || c.Data != "faultkeep-data" || len(drives) != 2 || drives[1] != (initDrive{"belt-3", "192.0.2.20:502", 3, usualMap}) {
		t.Errorf("%+v %+v %v", c, drives, err)
	}
	if !strings.Contains(asked.String(), "That isn't one: write it as in") || !strings.Contains(asked.String(), "Drive 3 [no more]: ") {
		t.Error(asked.String())
	}
	if _, err := new(initCommand).ask(bufio.NewReader(strings.NewReader("Northquay\n")), &asked); err == nil {
		t.Error("half an answer was enough")
	}
}

// Whatever the plant is called, the config says it so.
func TestInitTakesAnyName(t *testing.T) {
	t.Chdir(t.TempDir())
	for _, name := range []string{"yes", "1", "null", "- x", "# x", "{x", "*x", "a: b", `"q"`, `\`, "Kornhafen Nørd 穀物", "x: # y", "'", "!x", "%x", "@x", "0x10", "12:30:00", "~", "true"} {
		c := initCommand{To: "faultkeep.yaml", Site: name}
		text := c.text([]initDrive{{"belt-2", "192.0.2.12:502", 1, usualMap}})
		l, problems := config.Parse("faultkeep.yaml", []byte(text))
		if len(problems) > 0 || l.Config.Site != name {
			t.Errorf("%q: %v", name, problems)
		}
	}
}
