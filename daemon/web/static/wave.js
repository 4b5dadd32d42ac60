"use strict";
// The waveform view: puts the other wave files together. The server's picture
// stands until the samples are there, and is what gets printed.
(() => {
  const root = document.getElementById("wave"), chart = document.getElementById("chart");
  if (!root || !chart || !window.ResizeObserver) return;
  const part = name => root.querySelector("#wave-" + name);
  const stack = part("stack"), axis = part("axis"), readout = part("readout"), snap = part("snap"), traceBox = part("trace");
  const laneHeight = 84, traceHeight = 48, within = 12; // pixels
  const ranges = document.querySelector(".viewer .ranges");
  let meta, view, lanes, figures, spectrum, source, below = null, frame = 0, words = "";

  async function begin() {
    meta = await WaveData.json(chart.dataset.self + "/wave.json");
    if (!(meta.from < meta.to) || !meta.lanes.length) return; // nothing to look at: the server's picture says so
    const extent = [meta.from, meta.to];
    const trace = meta.beside && await WaveData.json(meta.beside.self + "/wave.json").catch(() => null); // one can do without
    if (trace) {
      below = { meta: trace, offset: meta.beside.offset };
      extent[0] = Math.min(extent[0], below.meta.from + below.offset);
      extent[1] = Math.max(extent[1], below.meta.to + below.offset);
    }
    view = new WaveView.View(meta, extent);
    page.meta = meta;
    page.view = view;
    root.hidden = false;
    chart.classList.add("replaced");
    WaveDraw.readColours(root);
    source = new WaveData.Source(meta, redraw, failed);
    lanes = new WaveLanes.Lanes(meta, view, stack, part("lanes"), said => { words = said; changed(); });
    lanes.render();
    figures = new WaveFigures.Figures(page);
    spectrum = new WaveSpectrum.Spectrum(page, part("spectrum"));
    snap.checked = view.snap;
    if (below && below.meta.lanes.length) beginTrace();
    WaveHands.hands(stack, page);
    source.want(meta.from, meta.to, pixels(), view.shown()); // the whole first: it is there when one looks wider
    changed();
    if (view.cursor !== null) page.cursor(view.cursor);
    else if (meta.from <= 0 && meta.to > 0) figures.ask("zero", 0);
  }

  function beginTrace() {
    below.source = new WaveData.Source(below.meta, redraw, failed);
    below.lanes = below.meta.lanes.map(channels => WaveLanes.make(below.meta, channels, false));
    traceBox.hidden = false;
    traceBox.open = view.trace;
    traceBox.querySelector("div").prepend(...below.lanes);
    traceBox.addEventListener("toggle", () => { view.trace = traceBox.open; changed(); });
    traceBox.querySelector("a").href = meta.beside.self;
  }

  // The trace's values at a time; of the times asked for meanwhile only the last counts.
  async function traceAt(t) {
    if (!below || !below.lanes || !view.trace) return;
    if (below.asking) { below.wish = t; return; }
    below.asking = true;
    try {
      const { values } = await WaveData.json(`${below.meta.self}/at.json?t=${t - below.offset}`);
      for (const value of traceBox.querySelectorAll(".value")) value.textContent = values[value.dataset.channel];
    } catch (e) { page.tell("The trace can't be read: " + e.message); }
    below.asking = false;
    const wish = below.wish;
    below.wish = null;
    if (typeof wish === "number") traceAt(wish);
  }

  const pixels = () => Math.max(100, stack.clientWidth) * Math.min(devicePixelRatio || 1, 2);

  // changed: another stretch, or other lanes, are shown.
  function changed() {
    view.remember();
    figures.soon();
    spectrum.soon();
    redraw();
  }

  function redraw() { if (!frame) frame = requestAnimationFrame(draw); }

  function draw() {
    frame = 0;
    const width = stack.clientWidth;
    if (!width) return;
    source.want(view.from, view.to, pixels(), view.shown());
    drawLanes(lanes.elements, source, laneHeight, width, 0);
    WaveDraw.axis(axis, view, width);
    if (below && below.lanes && view.trace) {
      below.source.want(view.from - below.offset, view.to - below.offset, pixels(), below.meta.lanes.flat());
      drawLanes(below.lanes, below.source, traceHeight, width, below.offset);
    }
    for (const a of ranges.querySelectorAll("a")) {
      const q = new URL(a.href).searchParams, here = q.has("from") ? Number(q.get("from")) === WaveView.round(view.from) && Number(q.get("to")) === WaveView.round(view.to) : view.isWhole();
      if (here) a.setAttribute("aria-current", "true"); else a.removeAttribute("aria-current");
    }
    spectrum.draw();
    paint();
    if (source.held.length) root.dataset.ready = ""; // something is to be seen
  }

  // Of many lanes only those near the window are drawn.
  function drawLanes(elements, source, usual, width, offset) {
    const heights = elements.map(lane => WaveDraw.height(source.meta, lane.channels, usual));
    elements.forEach((lane, i) => { lane.canvas.style.height = heights[i] + "px"; });
    const near = elements.map(lane => { const box = lane.getBoundingClientRect(); return box.top < 2 * innerHeight && box.bottom > -innerHeight; });
    elements.forEach((lane, i) => { if (near[i]) WaveDraw.lane(lane.canvas, source, lane.channels, view, width, heights[i], offset); });
  }

  // paint lays the lines over the lanes and writes what they say.
  function paint() {
    const times = { trigger: 0, cursor: view.cursor, a: view.lines.a, b: view.lines.b };
    for (const mark of root.querySelectorAll(".mark[data-line]")) {
      const t = times[mark.dataset.line];
      mark.hidden = t === null || !view.sees(t);
      mark.style.left = view.place(t) * 100 + "%";
    }
    between(root.querySelectorAll(".mark.lit"), lit && lit.from, lit && lit.to);
    for (const value of stack.querySelectorAll(".value")) value.textContent = (view.cursor === null ? figures.zero : figures.values)[value.dataset.channel] ?? "";
    readout.textContent = words || figures.readout();
    words = "";
    root.dataset.from = view.from;
    root.dataset.to = view.to;
  }

  // between shows marks over a stretch of time, as far as it is in view.
  function between(marks, from, to) {
    for (const mark of marks) {
      const a = Math.max(0, view.place(from)), b = Math.min(1, view.place(to));
      mark.hidden = from === null || !(a <= b);
      mark.style.left = a * 100 + "%";
      mark.style.width = Math.max(0, b - a) * 100 + "%";
    }
  }

  function failed(e) { page.tell("The samples can't be read: " + e.message); }

  const middle = () => view.cursor !== null && view.sees(view.cursor) ? view.cursor : (view.from + view.to) / 2;
  const here = name => () => page.line(name, view.cursor ?? middle());
  const page = {
    table: part("figures"),
    over: part("over"),
    step: () => figures.step || meta.step,
    tell(text) { readout.textContent = text; },
    painted: paint,
    changed,
    cursor(t) {
      t = Math.min(meta.to, Math.max(meta.from, t));
      view.cursor = t; // held keys run ahead of the answers
      figures.ask("cursor", t);
      traceAt(t);
      view.remember();
    },
    // y is where the pointer is, to find the lane whose extreme is meant.
    line(name, t, y) {
      const lane = view.snap && y !== undefined && lanes.under(y);
      view.lines[name] = t;
      figures.ask(name, t, lane ? { channel: lane.channels.at(-1), within: within / stack.clientWidth * (view.to - view.from) } : null);
      view.remember();
    },
    click(t, y) {
      if (view.lines.a !== null && view.lines.b !== null) view.lines.a = view.lines.b = null;
      page.line(view.lines.a === null ? "a" : "b", t, y);
    },
    band(from, to) { between(root.querySelectorAll(".mark.band"), from, to); },
    deeds: {
      one: here("a"), two: here("b"),
      clear() { view.lines.a = view.lines.b = null; changed(); },
      in() { view.zoom(0.5, middle()); changed(); },
      out() { view.zoom(2, middle()); changed(); },
      fit() { view.fit(); changed(); },
      left() { view.pan((view.from - view.to) / 4); changed(); },
      right() { view.pan((view.to - view.from) / 4); changed(); },
    },
  };

  // Anything on the page that names channels and a span lights them up while it
  // is pointed at or in focus: data-channels="0,3" data-from="-0.041" data-to="0.2".
  // Pressed, it brings the lanes into the window and stays lit.
  let lit = null;
  const finding = target => target && target.closest && target.closest("[data-channels]");
  function light(target) {
    const at = finding(target) || finding(document.activeElement);
    if (at === (lit && lit.at)) return;
    lit = at ? { at, channels: at.dataset.channels.split(",").map(Number), from: Number(at.dataset.from), to: Number(at.dataset.to) } : null;
    stack.classList.toggle("lighting", lit !== null);
    for (const lane of lanes.elements) lane.classList.toggle("lit", lit !== null && lane.channels.some(ch => lit.channels.includes(ch)));
    paint();
  }

  function press(e) {
    const at = finding(e.target);
    if (!at || e.target !== at && e.target.closest("a, button, summary") || e.type === "keydown" && (e.key !== "Enter" || e.target !== at)) return;
    at.focus({ preventScroll: true });
    light(at);
    if (lit.from > view.to || lit.to < view.from) page.deeds.fit();
    stack.scrollIntoView({ block: "start" });
  }

  function listen() {
    root.addEventListener("click", e => {
      const deed = e.target.closest("[data-do]") && page.deeds[e.target.dataset.do];
      if (deed) deed();
    });
    snap.addEventListener("change", () => { view.snap = snap.checked; view.remember(); });
    ranges.addEventListener("click", e => {
      const a = e.target.closest("a");
      if (!a || e.ctrlKey || e.metaKey || e.shiftKey || e.button) return;
      e.preventDefault();
      const q = new URL(a.href).searchParams;
      if (q.has("from")) view.show(Number(q.get("from")), Number(q.get("to"))); else view.fit();
      changed();
    });
    for (const kind of ["pointerover", "focusin"]) document.addEventListener(kind, e => light(e.target));
    document.addEventListener("focusout", e => { if (!e.relatedTarget) setTimeout(light); }); // when the focus is gone
    document.documentElement.addEventListener("pointerleave", () => light(null));
    for (const kind of ["click", "keydown"]) document.addEventListener(kind, press);
    new ResizeObserver(redraw).observe(stack);
    addEventListener("scroll", () => { if (lanes.elements.length > 12) redraw(); }, { passive: true });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { WaveDraw.readColours(root); redraw(); });
  }

  begin().then(() => { if (view) listen(); }).catch(e => {
    root.hidden = true; // the server's picture stays
    chart.classList.remove("replaced");
    const failure = document.getElementById("wave-failure");
    failure.textContent = "The lanes can't be moved: " + e.message;
    failure.hidden = false;
  });
})();
