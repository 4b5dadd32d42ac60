package regmap

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/store/capture"
)

// keysOf are the keys of data that each layout has beside the common ones.
var keysOf = map[Layout][]string{
	Block:       {"holding", "input", "stride"},
	Window:      {"holding", "input", "page", "shows", "first", "step", "length", "settle"},
	FileRecords: {"file", "record", "records_per_file"},
}

var layouts = []string{string(Block), string(Window), string(FileRecords)}

func (c *checker) data() {
	in, d := c.in.Data, &c.m.Data
	if !c.doc.Has("data") {
		d.Type = capture.Int16
		return
	}
	d.Order = capture.Order(cmp.Or(in.Order, string(capture.ByChannel)))
	if orders := []string{string(capture.ByChannel), string(capture.Interleaved)}; !contains(orders, string(d.Order)) {
		c.report("data.order", fmt.Sprintf("is %q, which is not an order", in.Order), strict.Choice(in.Order, orders))
	}
	d.Type = c.typed("data", in.Type, capture.Int16)
	d.LowFirst = c.lowFirst("data", in.Words, true)
	d.Layout = Layout(in.Layout)
	own, known := keysOf[d.Layout]
	switch {
	case in.Layout == "" && c.doc.Clean("data.layout"):
		c.report("data.layout", "is missing", "known here: "+strings.Join(layouts, ", "))
	case in.Layout != "" && !known:
		c.report("data.layout", fmt.Sprintf("is %q, which is not a layout", in.Layout), strict.Choice(in.Layout, layouts))
	}
	if !known {
		return
	}
	for _, layout := range []Layout{Block, Window, FileRecords} {
		for _, key := range keysOf[layout] {
			if c.doc.Has("data."+key) && !slices.Contains(own, key) {
				c.report("data."+key, fmt.Sprintf("is not for layout %s", d.Layout), "leave it out; this layout has "+strings.Join(own, ", "))
				own = append(slices.Clone(own), key) // told once
			}
		}
	}
	switch d.Layout {
	case Block:
		c.start()
		c.block()
	case Window:
		c.start()
		c.window()
	case FileRecords:
		c.fileRecords()
	}
}

// start reads the first register of layouts block and window.
func (c *checker) start() {
	in, d := c.in.Data, &c.m.Data
	switch {
	case in.Holding != nil && in.Input != nil:
		c.report("data.input", "is a second place; holding is given too", "leave one of them out")
	case in.Holding != nil:
		d.Table, d.Address = Holding, *in.Holding
	case in.Input != nil:
		d.Table, d.Address = Input, *in.Input
	case c.doc.Clean("data.holding") && c.doc.Clean("data.input"):
		c.report("data", "says no place", "add holding or input with the first register's address")
	}
}

func (c *checker) block() {
	in, d := c.in.Data, &c.m.Data
	if in.Stride == nil {
		return
	}
	d.Stride = *in.Stride
	last := int(d.Address) + d.Stride*max(0, len(c.in.Channels)-1)
	switch {
	case d.Order == capture.Interleaved:
		c.report("data.stride", "is given for interleaved data, whose channels have no starts of their own", "leave it out, or write order: by-channel")
	case last > 65535:
		c.report("data.stride", fmt.Sprintf("is %d, so the last of %d channels would start at %d, past the last address 65535", d.Stride, len(c.in.Channels), last), "")
	}
}

func (c *checker) window() {
	in, d := c.in.Data, &c.m.Data
	d.Step, d.Settle = 1, 500*time.Millisecond
	if in.First != nil {
		d.First = *in.First
	}
	if in.Step != nil {
		d.Step = *in.Step
		if d.Step == 0 {
			c.report("data.step", "is 0, so every page would be the same", "")
		}
	}
	if in.Settle != nil {
		d.Settle = in.Settle.Std()
		if d.Settle <= 0 || d.Settle > maxWait {
			c.report("data.settle", fmt.Sprintf("is %v, wanted more than 0 and at most %v", in.Settle, maxWait), "")
		}
	}
	switch {
	case in.Length != nil:
		d.Length = *in.Length
		if int(d.Address)+d.Length > 65536 {
			c.report("data.length", fmt.Sprintf("is %d, so the window would end past the last address 65535", d.Length), "")
		}
	case c.doc.Clean("data.length"):
		c.report("data.length", "is missing", "say how many registers the window shows at once")
	}
	if in.Page == nil && c.doc.Clean("data.page") {
		c.report("data.page", "is missing", "say which register selects the page, such as page: {holding: 100}")
	}
	if page := c.pageSelect(); page != nil {
		d.Page = *page
		if low, high := span(page.Type); int64(d.First) < low || int64(d.First) > high {
			c.report("data.first", fmt.Sprintf("is %d, which a page select of type %s can't hold", d.First, page.Type), "")
		}
	}
	d.Shows = c.place("data.shows", in.Shows, "page shown")
	if d.Shows != nil && float(d.Shows.Type) {
		c.report("data.shows.type", fmt.Sprintf("is %s; a page is a whole number", d.Shows.Type), "")
	}
}

// pageSelect reads data.page, which faultkeep writes: so nothing but a plain register.
func (c *checker) pageSelect() *Value {
	path := "data.page"
	n := len(c.regions)
	v := c.place(path, c.in.Data.Page, "page")
	c.regions = c.regions[:n] // it is written, and read back to see it
	if v == nil {
		return nil
	}
	switch {
	case v.Table != Holding:
		c.report(path+"."+string(v.Table), "can't be written as a page number", "give a holding register")
	case float(v.Type):
		c.report(path+".type", fmt.Sprintf("is %s; a page is a whole number", v.Type), "")
	case v.Bit >= 0 || v.Mask != 0 || v.Scale != 1 || v.Offset != 0 || len(v.Values) > 0:
		c.report(path, "is changed by bit, mask, scale, offset or values", "use first and step of data for its numbers")
	default:
		return v
	}
	return nil
}

func (c *checker) fileRecords() {
	in, d := c.in.Data, &c.m.Data
	d.RecordsPerFile = 10_000
	if in.File != nil {
		d.File = *in.File
	} else if c.doc.Clean("data.file") {
		c.report("data.file", "is missing", "say in which file the data starts, such as file: 1")
	}
	if in.RecordsPerFile != nil {
		d.RecordsPerFile = *in.RecordsPerFile
	}
	if in.Record != nil {
		d.Record = *in.Record
		if int(d.Record) >= d.RecordsPerFile {
			c.report("data.record", fmt.Sprintf("is %d; a file of %d records has 0 to %d", d.Record, d.RecordsPerFile, d.RecordsPerFile-1), "")
		}
	}
}
