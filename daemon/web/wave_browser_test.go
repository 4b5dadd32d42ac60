package web_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"faultkeep/daemon/report"
	"faultkeep/store/capture"
)

// waveReady waits until the lanes are drawn and the figures are there.
func (b *browser) waveReady() {
	b.t.Helper()
	b.until("the lanes are drawn and the figures there", `document.getElementById("wave").dataset.ready !== undefined && document.querySelector("#wave-figures tbody tr") !== null`)
}

// keys presses keys one after the other.
func (b *browser) keys(keys ...string) {
	b.t.Helper()
	for _, k := range keys {
		b.must(chromedp.Do(b.ctx, chromedp.KeyEvent(k)))
	}
}

const (
	left, right, up, down = "\u0302", "\u0303", "\u0304", "\u0301"
	escape                = "\u001b"
)

// drag presses at one place of the stack of lanes, given as a share of its
// width and pixels from its top, moves to another and lets go there.
func (b *browser) drag(fromX, fromY, toX, toY float64, options ...chromedp.MouseOption) {
	b.t.Helper()
	box := eval[[]float64](b, `(scrollTo(0, 0), (r => [r.left, r.top, r.width])(document.getElementById("wave-stack").getBoundingClientRect()))`)
	x := func(f float64) float64 { return box[0] + f*box[2] }
	options = append(options, chromedp.Button("left"), chromedp.ClickCount(1))
	b.must(chromedp.Do(b.ctx, chromedp.MouseEvent("mousePressed", x(fromX), box[1]+fromY, options...),
		chromedp.MouseEvent("mouseMoved", x((fromX+toX)/2), box[1]+(fromY+toY)/2, options...),
		chromedp.MouseEvent("mouseMoved", x(toX), box[1]+toY, options...),
		chromedp.MouseEvent("mouseReleased", x(toX), box[1]+toY, options...)))
}

// shows waits until a stretch of time is shown, to a thousandth of its length.
func (b *browser) shows(from, to float64) {
	b.t.Helper()
	b.until(fmt.Sprintf("%v to %v s are shown", from, to), fmt.Sprintf(`(d => Math.abs(d.from - %v) < %v && Math.abs(d.to - %v) < %v)(document.getElementById("wave").dataset)`, from, (to-from)/500, to, (to-from)/500))
}

const (
	readout = `document.getElementById("wave-readout").textContent`
	order   = `[...document.querySelectorAll("#wave-stack .lane")].map(lane => [...lane.querySelectorAll(".grip")].map(g => g.textContent.split(",")[0]).join("+")).join(" ")`
	state   = `JSON.stringify([Number(document.getElementById("wave").dataset.from).toFixed(9), Number(document.getElementById("wave").dataset.to).toFixed(9), ` + readout + `, ` + order + `, document.getElementById("wave-figures").textContent, document.getElementById("wave-snap").checked, document.getElementById("wave-spectrum").open])`
)

func TestWave(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	c := caps[0]
	p.traceOf(t, c, 0)
	_, series, err := archivePages(p, c)
	if err != nil {
		t.Fatal(err)
	}
	address, host := serve(t, p)
	b := newBrowser(t)
	run := func(name string, f func(t *testing.T)) {
		t.Run(name, func(t *testing.T) {
			b.t = t
			f(t)
		})
		b.t = t
	}
	fresh := func() {
		b.t.Helper()
		b.open(address+"/capture/"+string(c.ID), 1280, "light")
		b.waveReady()
	}

	run("measure", func(t *testing.T) {
		fresh()
		b.must(chromedp.Do(b.ctx, chromedp.Focus(chromedp.CSS("#wave-stack"))))
		b.keys("0")
		b.until("the cursor is at the trigger", readout+`.includes("cursor 0 s")`)
		b.keys("2")
		b.until("line 2 is set", readout+`.includes("line 2 0 s")`)
		for range 41 {
			b.keys(left)
		}
		b.until("the cursor moved", readout+`.includes("cursor −0.0410 s")`)
		b.keys("1")
		b.until("Δt is told", readout+`.includes("Δt 41 ms · 1/Δt 24.39 Hz")`)
		b.until("the figures are those between the lines", `document.getElementById("wave-over").textContent.includes("between the lines: every one of 42 samples")`)
		zero := c.Trigger.Index
		for ch := range 7 {
			mean, rms, low, high, _ := plain(series[ch], zero-41, zero)
			want := []float64{series[ch][zero-41], series[ch][zero-41], series[ch][zero], series[ch][zero] - series[ch][zero-41], mean, rms, low, high}
			got := eval[[]string](b, fmt.Sprintf(`[...[...document.querySelectorAll("#wave-figures tbody tr")].find(tr => tr.cells[0].textContent === %q).cells].slice(1).map(td => td.textContent)`, c.Channels[ch].Name))
			for i, v := range want {
				says := func(v float64) string { return report.Readout(c.Channels[ch], v) }
				if len(got) != len(want) || got[i] != says(v) && got[i] != says(v*(1+1e-12)) && got[i] != says(v*(1-1e-12)) { // halves round either way
					t.Errorf("%s: %q, want %v", c.Channels[ch].Name, got, want)
					break
				}
			}
		}
		b.shot("wave-measure-light-1280")
		b.keys("\b")
		b.until("no lines", `!`+readout+`.includes("line")`)
	})

	run("snap", func(t *testing.T) {
		peak := 0
		for i, v := range series[2] {
			if v > series[2][peak] {
				peak = i
			}
		}
		b.must(chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS("#wave-snap"))))
		place := (c.At(peak) + 1.4) / 2.048
		lane := eval[float64](b, `(lane => lane.canvas.getBoundingClientRect().top - lane.parentElement.getBoundingClientRect().top + 40)(document.querySelectorAll("#wave-stack .lane")[1])`)
		b.drag(place+0.004, lane, place+0.004, lane)
		b.until("line 1 is at the current's peak", readout+fmt.Sprintf(`.includes("line 1 %s")`, report.Seconds(c.At(peak), 0.001)))
		b.drag(place, 200, 0.25, 200) // taken hold of, and let go in another lane
		b.until("the line is elsewhere", `/line 1 −0.[89]/.test(`+readout+`)`)
		b.until("and in the address", `/[?&]a=-0.[89].*snap=extremes/.test(location.search)`)
	})

	run("zoom and pan", func(t *testing.T) {
		fresh()
		b.drag(0.6, 60, 0.7, 90)
		b.shows(-1.4+0.6*2.048, -1.4+0.7*2.048)
		b.until("the address says so", `location.search.startsWith("?from=-0.1")`)
		b.drag(0.5, 60, 0.25, 60, chromedp.ButtonModifiers(8)) // Shift
		b.shows(-1.4+0.625*2.048, -1.4+0.725*2.048)
		b.keys("-")
		b.until("twice as wide", `(d => Math.abs(d.to - d.from - 0.4096) < 0.001)(document.getElementById("wave").dataset)`)
		b.keys("+")
		b.until("half as wide", `(d => Math.abs(d.to - d.from - 0.2048) < 0.001)(document.getElementById("wave").dataset)`)
		b.wheel(-200)
		b.until("the wheel looks closer", `(d => d.to - d.from < 0.16)(document.getElementById("wave").dataset)`)
		b.keys(escape)
		b.shows(-1.4, 0.648)
		b.until("the address is plain", `!location.search.includes("from")`)
		b.keys("-", "-")
		b.until("the trace's minutes are shown", `(d => d.from < -3 && d.to > 3)(document.getElementById("wave").dataset)`)
		b.shot("wave-trace-light-1280")
		b.keys(escape)
		if y := eval[float64](b, `(document.activeElement.blur(), scrollTo(0, 0), 0)`); y != 0 {
			t.Error(y)
		}
		b.wheel(120)
		b.until("a wheel over lanes without the focus scrolls the page", `scrollY > 0`)
		b.shows(-1.4, 0.648)
		b.pinch()
		b.until("two fingers look closer", `(d => Math.abs(d.to - d.from - 1.024) < 0.03)(document.getElementById("wave").dataset)`)
	})

	run("order, hide, merge", func(t *testing.T) {
		fresh()
		grip := func(i int) {
			b.t.Helper()
			eval[bool](b, fmt.Sprintf(`(document.querySelectorAll("#wave-stack .lane")[%d].querySelector(".grip").focus(), true)`, i))
		}
		is := func(want string) {
			b.t.Helper()
			if got := eval[string](b, order); got != want {
				b.t.Fatalf("lanes %q, want %q", got, want)
			}
		}
		is("Speed setpoint+Speed Output current Torque DC link voltage Position error Heat sink Status word")
		grip(2)
		b.keys(up, up)
		is("Torque Speed setpoint+Speed Output current DC link voltage Position error Heat sink Status word")
		grip(2)
		b.keys("h")
		is("Torque Speed setpoint+Speed DC link voltage Position error Heat sink Status word")
		grip(1)
		b.keys("m")
		is("Torque+Speed setpoint+Speed DC link voltage Position error Heat sink Status word")
		grip(4)
		b.keys("m", down) // words of bits are not merged, and there is nothing below the last
		is("Torque+Speed setpoint+Speed DC link voltage Position error Heat sink Status word")
		eval[bool](b, `([...document.querySelectorAll("#wave-lanes button")].find(b => b.textContent === "show").click(), true)`)
		is("Torque+Speed setpoint+Speed DC link voltage Position error Heat sink Status word Output current")
		b.until("the address has the order", `location.search.includes("lanes=3~0~1,4,5,6,7,2")`)
		heads := eval[[]float64](b, `[...document.querySelectorAll("#wave-stack .lane")].map(l => l.getBoundingClientRect().top - document.getElementById("wave-stack").getBoundingClientRect().top)`)
		b.drag(0.02, heads[3]+10, 0.02, heads[1]+40) // by its name
		is("Torque+Speed setpoint+Speed Heat sink DC link voltage Position error Status word Output current")
		b.shot("wave-lanes-light-1280")
	})

	run("a link reproduces the view", func(t *testing.T) {
		b.open(address+"/capture/"+string(c.ID)+"?from=-0.35&to=0.05&t=-0.2&a=-0.3&b=-0.1&lanes=2~3,7,1&snap=extremes&spectrum=1&trace=0", 1280, "light")
		b.waveReady()
		b.until("cursor and lines are read", readout+` === "cursor −0.2000 s · line 1 −0.3000 s · line 2 −0.1000 s · Δt 200 ms · 1/Δt 5 Hz"`)
		b.until("the spectrum is there", `document.querySelectorAll("#wave-spectrum canvas").length === 3`)
		first := eval[string](b, state)
		if !strings.Contains(first, "Output current+Torque Status word Speed") || !strings.Contains(first, `["-0.350000000","0.050000000"`) {
			t.Errorf("shown is %s", first)
		}
		b.must(chromedp.Do(b.ctx, chromedp.Focus(chromedp.CSS("#wave-stack"))))
		b.keys("+", right)
		b.until("the cursor moved", readout+`.includes("cursor −0.1990 s")`)
		b.until("and the address", `location.search.includes("t=-0.199")`)
		time.Sleep(300 * time.Millisecond) // figures and address come to rest
		was, link := eval[string](b, state), eval[string](b, `location.href`)
		b.open("about:blank", 1280, "light")
		b.open(link, 1280, "light")
		b.waveReady()
		b.until("the cursor is read", readout+`.includes("cursor −0.1990 s")`)
		if now := eval[string](b, state); now != was || eval[string](b, `location.href`) != link {
			t.Errorf("%s shows\n%s, it was\n%s", link, now, was)
		}
		for _, odd := range []string{"from=2&to=1&lanes=0~7&t=&a=NaN&b=1e400", "lanes=0,0&from=-1e300&to=1e300", "lanes=,&snap=&from=5&to=6"} {
			b.open(address+"/capture/"+string(c.ID)+"?"+odd, 1280, "light")
			b.waveReady()
		}
	})

	run("findings light lanes and span", func(t *testing.T) {
		fresh()
		eval[bool](b, `(document.querySelector("main").insertAdjacentHTML("afterbegin", '<p><a href="#main" id="finding" data-channels="2,3" data-from="-0.3" data-to="0.1">The current rose first.</a> <a href="#main" id="other">other</a></p>'), true)`)
		const lit = `[...document.querySelectorAll("#wave-stack .lane.lit .grip")].map(g => g.textContent).join(" ")`
		at := eval[[]float64](b, `(r => [r.left + 5, r.top + 5])(document.getElementById("finding").getBoundingClientRect())`)
		b.must(chromedp.Do(b.ctx, chromedp.MouseEvent("mouseMoved", at[0], at[1])))
		b.until("its lanes are lit", lit+` === "Output current, A Torque, Nm"`)
		span := eval[[]float64](b, `(m => [parseFloat(m.style.left), parseFloat(m.style.width), m.hidden ? 1 : 0])(document.querySelector(".mark.lit"))`)
		if math.Abs(span[0]-100*(-0.3+1.4)/2.048) > 0.01 || math.Abs(span[1]-100*0.4/2.048) > 0.01 || span[2] != 0 {
			t.Errorf("lit from %v %% over %v %%", span[0], span[1])
		}
		b.shot("wave-finding-light-1280")
		b.must(chromedp.Do(b.ctx, chromedp.MouseEvent("mouseMoved", at[0], at[1]+300)))
		b.until("nothing is lit", `document.querySelector(".mark.lit").hidden && !document.querySelector(".lane.lit")`)
		eval[bool](b, `(document.getElementById("finding").focus(), true)`)
		b.until("the focus lights, too", lit+` !== ""`)
		eval[bool](b, `(document.getElementById("other").focus(), true)`)
		b.until("and goes", lit+` === ""`)

		// One that the page has, far below: pressed, it brings the lanes into the window.
		eval[bool](b, `(document.querySelector(".findings .finding[data-channels]").scrollIntoView(), document.querySelector(".findings .finding[data-channels]").focus(), true)`)
		if y := eval[float64](b, `document.getElementById("wave-stack").getBoundingClientRect().bottom`); y > 0 {
			t.Errorf("the lanes are in the window before the finding is pressed, down to %v px", y)
		}
		b.keys("\r")
		b.until("the lanes are in the window, and some lit", `(box => box.top >= -1 && box.top < 100)(document.getElementById("wave-stack").getBoundingClientRect()) && `+lit+` !== ""`)
		b.must(chromedp.Do(b.ctx, chromedp.MouseEvent("mouseMoved", 600, 300)))
		b.until("a pointer elsewhere lets them be", lit+` !== "" && `+readout+`.includes("cursor")`)
	})

	run("without script", func(t *testing.T) {
		scripts := func(off bool) {
			b.do(func(ctx context.Context, tab *chromedp.Target) error {
				_, err := cdp.Call(ctx, tab, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: off})
				return err
			})
		}
		scripts(true)
		b.open(address+"/capture/"+string(c.ID)+"?from=-0.1&to=0.1", 1280, "light")
		if shown := eval[[]bool](b, `["#wave", "#chart svg.lanes"].map(what => document.querySelector(what).getClientRects().length > 0)`); fmt.Sprint(shown) != "[false true]" {
			t.Errorf("the script's lanes and the server's picture are shown: %v", shown)
		}
		scripts(false)
	})

	run("curves are drawn", func(t *testing.T) {
		b.open(address+"/capture/"+string(c.ID)+"?lanes=2,7", 1280, "dark")
		b.waveReady()
		// The highest sample is where the scale puts it: from 0 to the highest, and 0.06 of that as air on either side.
		low, high, _ := series[2].Bounds()
		if low != 0 || high != series[2][c.Trigger.Index] {
			t.Fatalf("the current goes from %v to %v", low, high)
		}
		b.drawn(t, 0.06/1.12, 0, c)
	})
	b.clean(host)
}

// drawn checks pixels of the first lane's canvas, which is the current's: at a
// height, as a share from the top, there is ink of its colour at one time and
// none at another half as far from the left edge.
func (b *browser) drawn(t *testing.T, y, at float64, c capture.Capture) {
	t.Helper()
	place := (at - c.At(0)) / c.Timing.Duration()
	ink := eval[[]float64](b, fmt.Sprintf(`((places, py) => { const canvas = document.querySelector("#wave-stack .lane").canvas, w = canvas.width;
		const all = canvas.getContext("2d").getImageData(0, Math.round(py * canvas.height) - 3, w, 7).data;
		return places.map(px => { let n = 0; for (let y = 0; y < 7; y++) for (let x = Math.round(px * w) - 3; x <= Math.round(px * w) + 3; x++) { const i = 4 * (y * w + x); if (all[i] > 150 && all[i + 2] < 90) n++; } return n; });
	})([%v, %v], %v)`, place, place/2, y))
	if ink[0] < 2 || ink[1] != 0 {
		t.Errorf("%v pixels of the current's colour at its peak, %v where it isn't", ink[0], ink[1])
	}
}

// wheel turns the wheel over the middle of the lanes.
func (b *browser) wheel(y float64) {
	b.t.Helper()
	at := eval[[]float64](b, `(r => [r.left + r.width / 2, r.top + 100])(document.getElementById("wave-stack").getBoundingClientRect())`)
	b.do(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: "mouseWheel", X: at[0], Y: at[1], DeltaX: 1e-6, DeltaY: y})
		return err
	})
}

// pinch puts two fingers on the lanes and doubles their distance.
func (b *browser) pinch() {
	b.t.Helper()
	at := eval[[]float64](b, `(r => [r.left, r.width, r.top + 120])(document.getElementById("wave-stack").getBoundingClientRect())`)
	one, two := 1.0, 2.0
	touch := func(kind input.DispatchTouchEventType, places ...float64) {
		params := input.DispatchTouchEventParams{Type: kind, TouchPoints: []*input.TouchPoint{}}
		for i, f := range places {
			params.TouchPoints = append(params.TouchPoints, &input.TouchPoint{X: at[0] + f*at[1], Y: at[2], ID: []*float64{&one, &two}[i]})
		}
		b.do(func(ctx context.Context, tab *chromedp.Target) error {
			_, err := cdp.Call(ctx, tab, input.DispatchTouchEvent, params)
			return err
		})
	}
	touch("touchStart", 0.4)
	touch("touchStart", 0.4, 0.6)
	for _, out := range []float64{0.02, 0.05, 0.08, 0.1} {
		touch("touchMove", 0.4-out, 0.6+out)
	}
	touch("touchEnd")
}
