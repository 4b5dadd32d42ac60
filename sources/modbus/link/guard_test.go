package link_test

import (
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"math"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"faultkeep/sources"
	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

var both = []string{link.Page, link.Arm}

// windowMap is a map with pages 10, 12, 14, … of 100 registers and arming by
// two writes and a coil.
func windowMap() *regmap.Map {
	return &regmap.Map{
		Status: regmap.Status{
			Fault:     &regmap.Value{Name: "fault", Table: regmap.Holding, Address: 1, Type: capture.Uint16, Bit: 3},
			FaultCode: &regmap.Value{Name: "fault code", Table: regmap.Holding, Address: 2, Type: capture.Uint32, Bit: -1},
		},
		Live: []regmap.Value{{Name: "speed", Table: regmap.Holding, Address: 20, Type: capture.Int16, Bit: -1}},
		Data: regmap.Data{Layout: regmap.Window, Table: regmap.Holding, Address: 1000, Length: 100, First: 10, Step: 2,
			Page: regmap.Value{Table: regmap.Holding, Address: 500, Type: capture.Uint16, Bit: -1}},
		Arm: &regmap.Arm{Writes: []regmap.Write{{Table: regmap.Holding, Address: 40, Words: []uint16{0}},
			{Table: regmap.Holding, Address: 40, Words: []uint16{1, 2}}, {Table: regmap.Coil, Address: 7, Words: []uint16{1}}}},
	}
}

type guarded struct {
	*link.Guard
	line  *line
	noted []link.Written
}

func guardOf(t *testing.T, m *regmap.Map, unit uint8, allow ...string) *guarded {
	t.Helper()
	g := &guarded{line: newLine()}
	g.line.trip = 0
	e := link.NewEndpoint("drive:502", g.line.dial, 1, 0)
	t.Cleanup(func() { e.Close() })
	g.Guard = link.NewGuard(e, unit, m, allow, func(w link.Written) { g.noted = append(g.noted, w) })
	return g
}

// forbidden checks that a write was turned down before anything was sent.
func (g *guarded) forbidden(t *testing.T, what string, err error, words string) {
	t.Helper()
	if !errors.Is(err, link.ErrForbidden) || !sources.IsPermanent(err) || !strings.Contains(err.Error(), words) {
		t.Errorf("%s: %v, want it forbidden, saying %q", what, err, words)
	}
	if len(g.line.writes) != 0 || len(g.noted) != 0 || len(g.line.dials) != 0 {
		t.Fatalf("%s: %v went out", what, g.line.writes)
	}
}

func TestGuardWritesNothingThatTheConfigDoesntAllow(t *testing.T) {
	for name, allow := range map[string][]string{"nothing": nil, "the other": {link.Arm}, "odd names": {"pages", "PAGE", "*", ""}} {
		g := guardOf(t, windowMap(), 1, allow...)
		g.Holds(1000)
		g.forbidden(t, name, g.Page(t.Context(), 0), "allow: [page]")
	}
	for name, allow := range map[string][]string{"nothing": nil, "the other": {link.Page}, "odd names": {"arming", "ARM", "all"}} {
		g := guardOf(t, windowMap(), 1, allow...)
		g.Released()
		g.forbidden(t, name, g.Arm(t.Context()), "allow: [arm]")
	}
}

func TestGuardNeverWritesToUnitZero(t *testing.T) {
	g := guardOf(t, windowMap(), 0, both...)
	g.Holds(1000)
	g.forbidden(t, "page", g.Page(t.Context(), 0), "unit 0")
	g.Released()
	g.forbidden(t, "arm", g.Arm(t.Context()), "unit 0")
}

func TestGuardShowsOnlyPagesThatTheRecordingHas(t *testing.T) {
	g := guardOf(t, windowMap(), 1, both...)
	g.forbidden(t, "no recording told", g.Page(t.Context(), 0), "has 0 pages")
	g.Holds(401) // 200 bytes a page: two pages and a byte
	for _, page := range []int{-1, 3, 4, 1 << 20, math.MaxInt, math.MinInt} {
		g.forbidden(t, "page out of the recording", g.Page(t.Context(), page), "has 3 pages")
	}
	for page := range 3 {
		if err := g.Page(t.Context(), page); err != nil {
			t.Fatal(err)
		}
	}
	want := []regmap.Write{{Table: regmap.Holding, Address: 500, Words: []uint16{10}},
		{Table: regmap.Holding, Address: 500, Words: []uint16{12}}, {Table: regmap.Holding, Address: 500, Words: []uint16{14}}}
	if !reflect.DeepEqual(g.line.writes, want) {
		t.Errorf("wrote %v, want %v", g.line.writes, want)
	}
	if len(g.noted) != 3 || g.noted[2].Text != "holding 500 = 14" || g.noted[2].Kind != link.Page || g.noted[2].Err != nil {
		t.Errorf("noted %+v", g.noted)
	}
	g.Released()
	if err := g.Page(t.Context(), 0); !errors.Is(err, link.ErrForbidden) {
		t.Errorf("a page of a recording that was let go: %v", err)
	}
}

func TestGuardAgainstHostilePages(t *testing.T) {
	huge := "aren't numbers"
	if strconv.IntSize == 32 { // there the largest int is a number that only doesn't fit
		huge = "doesn't fit"
	}
	for name, c := range map[string]struct {
		change func(d *regmap.Data)
		words  string
	}{
		"block layout":         {func(d *regmap.Data) { d.Layout = regmap.Block }, "no pages"},
		"input":                {func(d *regmap.Data) { d.Page.Table = regmap.Input }, "only a holding register"},
		"coil":                 {func(d *regmap.Data) { d.Page.Table = regmap.Coil }, "only a holding register"},
		"one bit of a word":    {func(d *regmap.Data) { d.Page.Bit = 7 }, "other bits"},
		"some bits of a word":  {func(d *regmap.Data) { d.Page.Mask = 0xFF }, "other bits"},
		"value beyond uint16":  {func(d *regmap.Data) { d.First = 65535 }, "doesn't fit"},
		"value below zero":     {func(d *regmap.Data) { d.First = -3 }, "doesn't fit"},
		"beyond int16":         {func(d *regmap.Data) { d.Page.Type = capture.Int16; d.First = 32767 }, "doesn't fit"},
		"huge first":           {func(d *regmap.Data) { d.First = math.MaxInt }, huge},
		"hugely negative":      {func(d *regmap.Data) { d.First = math.MinInt }, huge},
		"huge step":            {func(d *regmap.Data) { d.Step = math.MaxInt }, huge},
		"step that wraps":      {func(d *regmap.Data) { d.Step = 1 << 16 }, "doesn't fit"},
		"no step":              {func(d *regmap.Data) { d.Step = 0 }, "aren't numbers"},
		"float":                {func(d *regmap.Data) { d.Page.Type = capture.Float32 }, "integers"},
		"four words":           {func(d *regmap.Data) { d.Page.Type = capture.Uint64 }, "integers"},
		"no type":              {func(d *regmap.Data) { d.Page.Type = "" }, "integers"},
		"two words at the end": {func(d *regmap.Data) { d.Page.Type = capture.Uint32; d.Page.Address = 65535 }, "65535"},
		"the fault":            {func(d *regmap.Data) { d.Page.Address = 1 }, "fault"},
		"half the fault code":  {func(d *regmap.Data) { d.Page.Address = 3 }, "fault code"},
		"a live value":         {func(d *regmap.Data) { d.Page.Address = 20 }, "speed"},
		"two words into it":    {func(d *regmap.Data) { d.Page.Type = capture.Int32; d.Page.Address = 19 }, "speed"},
		"length none":          {func(d *regmap.Data) { d.Length = 0 }, "0 pages"},
		"length below zero":    {func(d *regmap.Data) { d.Length = -100 }, "0 pages"},
	} {
		m := windowMap()
		c.change(&m.Data)
		g := guardOf(t, m, 1, both...)
		g.Holds(1000)
		g.forbidden(t, name, g.Page(t.Context(), 1), c.words)
	}
	m := windowMap()
	m.Data.Page.Type, m.Data.Page.LowFirst, m.Data.First = capture.Uint32, true, 0x12340000
	g := guardOf(t, m, 1, both...)
	g.Holds(math.MaxInt64)
	if err := g.Page(t.Context(), 1); err != nil || !reflect.DeepEqual(g.line.writes[0].Words, []uint16{2, 0x1234}) {
		t.Errorf("two words, lowest first: %v, %v", g.line.writes, err)
	}
	g.line.writes, g.line.dials, g.noted = nil, nil, nil
	if err := g.Page(t.Context(), 1<<16); !errors.Is(err, link.ErrForbidden) {
		t.Errorf("page 65536: %v", err)
	}
}

func TestGuardArmsOnlyWhatIsKeptAndOnlyOnce(t *testing.T) {
	m := windowMap()
	want := []regmap.Write{{Table: regmap.Holding, Address: 40, Words: []uint16{0}},
		{Table: regmap.Holding, Address: 40, Words: []uint16{1, 2}}, {Table: regmap.Coil, Address: 7, Words: []uint16{1}}}
	g := guardOf(t, m, 1, both...)
	// Nothing done to the map afterwards may change what is written.
	m.Arm.Writes[0].Address, m.Arm.Writes[1].Words[0], m.Status.Fault.Address = 6040, 128, 999
	m.Arm.Writes = append(m.Arm.Writes, regmap.Write{Table: regmap.Holding, Address: 6040, Words: []uint16{128}})

	g.forbidden(t, "at the start", g.Arm(t.Context()), "isn't kept")
	g.Released()
	g.Holds(1000) // a new recording came in between
	g.forbidden(t, "unkept again", g.Arm(t.Context()), "isn't kept")
	g.Holds(0)
	g.forbidden(t, "an empty recording", g.Arm(t.Context()), "isn't kept")
	g.Released()
	if err := g.Arm(t.Context()); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(g.line.writes, want) {
		t.Errorf("wrote %v, want %v", g.line.writes, want)
	}
	if len(g.noted) != 3 || g.noted[0].Text != "holding 40 = 0" || g.noted[1].Text != "holding 40 = 1 2" ||
		g.noted[2].Text != "coil 7 = 1" || g.noted[2].Unit != 1 || g.noted[2].Kind != link.Arm {
		t.Errorf("noted %+v", g.noted)
	}
	if err := g.Arm(t.Context()); !errors.Is(err, link.ErrForbidden) || len(g.line.writes) != 3 {
		t.Errorf("armed twice for one release: %v", err)
	}
}

func TestGuardSetsOnlyTheMapsSettingsWhileReleased(t *testing.T) {
	m := windowMap()
	m.Settings = []regmap.Setting{{Name: "interval", Write: regmap.Write{Table: regmap.Holding, Address: 50, Words: []uint16{0, 1000}}},
		{Name: "a status register", Write: regmap.Write{Table: m.Status.Fault.Table, Address: m.Status.Fault.Address, Words: []uint16{0}}}}
	g := guardOf(t, m, 1, both...)
	g.Released()
	g.forbidden(t, "not allowed", g.Set(t.Context(), 0), "allow: [settings]")
	g = guardOf(t, m, 1, link.Page, link.Arm, link.Set)
	g.forbidden(t, "at the start", g.Set(t.Context(), 0), "isn't kept")
	g.Released()
	g.Holds(100)
	g.forbidden(t, "a recording that isn't kept", g.Set(t.Context(), 0), "isn't kept")
	g.Released()
	g.forbidden(t, "none there", g.Set(t.Context(), 2), "2 settings")
	g.forbidden(t, "none there", g.Set(t.Context(), -1), "2 settings")
	g.forbidden(t, "a status register", g.Set(t.Context(), 1), "")
	m.Settings[0].Address, m.Settings[0].Words[1] = 6040, 128
	if err := g.Set(t.Context(), 0); err != nil {
		t.Fatal(err)
	}
	want := []regmap.Write{{Table: regmap.Holding, Address: 50, Words: []uint16{0, 1000}}}
	if !reflect.DeepEqual(g.line.writes, want) {
		t.Errorf("wrote %v, want %v", g.line.writes, want)
	}
	if err := g.Arm(t.Context()); err != nil {
		t.Errorf("setting took the release that arming needs: %v", err)
	}
}

func TestGuardStopsAtTheFirstWriteThatFails(t *testing.T) {
	g := guardOf(t, windowMap(), 1, both...)
	g.line.refuse[1] = link.Busy
	g.Released()
	if err := g.Arm(t.Context()); !errors.Is(err, link.Busy) {
		t.Fatal(err)
	}
	if len(g.line.writes) != 1 || len(g.noted) != 1 || !errors.Is(g.noted[0].Err, link.Busy) {
		t.Errorf("wrote %v, noted %+v", g.line.writes, g.noted)
	}
	if err := g.Arm(t.Context()); !errors.Is(err, link.ErrForbidden) || len(g.line.writes) != 1 {
		t.Errorf("tried again without another release: %v", err)
	}
}

func TestGuardAgainstHostileArming(t *testing.T) {
	holding := func(address uint16, words ...uint16) regmap.Write {
		return regmap.Write{Table: regmap.Holding, Address: address, Words: words}
	}
	good := holding(40, 1)
	for name, c := range map[string]struct {
		writes []regmap.Write
		words  string
	}{
		"nothing":             {nil, "names no writes"},
		"input":               {[]regmap.Write{good, {Table: regmap.Input, Address: 40, Words: []uint16{1}}}, "only holding registers and coils"},
		"discrete":            {[]regmap.Write{good, {Table: regmap.Discrete, Address: 40, Words: []uint16{1}}}, "only holding registers and coils"},
		"no table":            {[]regmap.Write{good, {Address: 40, Words: []uint16{1}}}, "only holding registers and coils"},
		"no words":            {[]regmap.Write{good, holding(41)}, "1 to 123 registers"},
		"too many words":      {[]regmap.Write{good, holding(100, make([]uint16, 124)...)}, "1 to 123 registers"},
		"all of memory":       {[]regmap.Write{good, holding(0, make([]uint16, 1<<16)...)}, "1 to 123 registers"},
		"past the end":        {[]regmap.Write{good, holding(65535, 1, 1)}, "past address 65535"},
		"coil of two":         {[]regmap.Write{good, {Table: regmap.Coil, Address: 1, Words: []uint16{1, 0}}}, "0 or 1"},
		"coil of 255":         {[]regmap.Write{good, {Table: regmap.Coil, Address: 1, Words: []uint16{0xFF00}}}, "0 or 1"},
		"the fault":           {[]regmap.Write{good, holding(1, 0)}, "fault"},
		"up to the fault":     {[]regmap.Write{good, holding(0, 1, 0)}, "fault"},
		"half the fault code": {[]regmap.Write{good, holding(3, 0)}, "fault code"},
		"a live value":        {[]regmap.Write{good, holding(20, 0)}, "speed"},
		"endless":             {make([]regmap.Write, 10000), "at most"},
		"last of many is bad": {[]regmap.Write{good, good, good, good, {Table: regmap.Input, Words: []uint16{1}}}, "only holding"},
	} {
		m := windowMap()
		m.Arm.Writes = c.writes
		g := guardOf(t, m, 1, both...)
		g.Released()
		g.forbidden(t, name, g.Arm(t.Context()), c.words)
	}
	m := windowMap()
	m.Arm = nil
	g := guardOf(t, m, 1, both...)
	g.Released()
	g.forbidden(t, "no arming in the map", g.Arm(t.Context()), "names no writes")
}

// unguarded finds what writes to a drive without going through the Guard:
// every use of a method Write that isn't a plain io.Writer call, and every
// use of the library's own writing methods.
func unguarded(fset *token.FileSet, file *ast.File) []token.Position {
	var found []token.Position
	plain := map[*ast.SelectorExpr]bool{}
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.CallExpr:
			if s, ok := n.Fun.(*ast.SelectorExpr); ok && s.Sel.Name == "Write" && len(n.Args) == 1 {
				plain[s] = true
			}
		case *ast.SelectorExpr:
			_, typed := n.X.(*ast.Ident)
			isType := typed && n.X.(*ast.Ident).Name == "regmap"
			if n.Sel.Name == "Write" && !plain[n] && !isType ||
				strings.HasPrefix(n.Sel.Name, "Write") && n.Sel.Name != "Write" && writesOfTheLibrary[n.Sel.Name] {
				found = append(found, fset.Position(n.Pos()))
			}
		}
		return true
	})
	return found
}

var writesOfTheLibrary = func() map[string]bool {
	names := map[string]bool{}
	for _, n := range []string{"Coil", "CoilValue", "Coils", "Register", "Registers", "Uint32", "Uint32s", "Float32", "Float32s",
		"Uint64", "Uint64s", "Float64", "Float64s", "Bytes", "RawBytes"} {
		names["Write"+n] = true
	}
	return names
}()

// The guard is the only way to a drive's registers: nothing else under
// sources/modbus calls Link.Write, and only the client calls the library's writes.
func TestNothingWritesPastTheGuard(t *testing.T) {
	fset := token.NewFileSet()
	seen := map[string]int{}
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		file, err := parser.ParseFile(fset, path, nil, parser.SkipObjectResolution)
		if err != nil {
			return nil // it doesn't compile, which is told elsewhere
		}
		for _, at := range unguarded(fset, file) {
			seen[filepath.ToSlash(path)]++
			switch filepath.ToSlash(path) {
			case "../link/guard.go", "../link/tcp.go":
			default:
				t.Errorf("%s writes to a drive past the guard", at)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	// One in the guard; three in the client, for coil, register and registers.
	if seen["../link/guard.go"] != 1 || seen["../link/tcp.go"] != 3 {
		t.Errorf("writes found: %v", seen)
	}
}

func TestUnguardedWritesAreFound(t *testing.T) {
	for code, want := range map[string]int{
		"l.Write(ctx, 1, w)":                        1,
		"a.b.link.Write(ctx, unit, regmap.Write{})": 1,
		"f := l.Write; f(ctx, 1, w)":                1,
		"c.WriteRegister(40, 1)":                    1,
		"go c.WriteCoils(40, nil)":                  1,
		"conn.Write(frame)":                         0,
		"var w regmap.Write; _ = w":                 0,
		"b.WriteString(text)":                       0,
	} {
		fset := token.NewFileSet()
		file, err := parser.ParseFile(fset, "x.go", "package x\nfunc f() { "+code+" }", 0)
		if err != nil {
			t.Fatal(err)
		}
		if got := unguarded(fset, file); len(got) != want {
			t.Errorf("%s: found %d, want %d", code, len(got), want)
		}
	}
}
