// The capture's lanes under a cursor: values at a time, two measuring lines,
// and looking closer. The server draws; this only asks and lays lines over.
(() => {
  "use strict";
  const chart = document.getElementById("chart");
  const panel = document.getElementById("measure");
  const readout = document.getElementById("readout");
  if (!chart || !window.fetch) return;
  const self = chart.dataset.self;
  const lines = { cursor: null, one: null, two: null }; // seconds from the trigger
  const label = {};
  let step = 0, whole = null, svg;

  const overlay = document.createElement("div");
  overlay.className = "overlay";
  const marks = {};
  for (const name of ["band", "cursor", "one", "two"]) {
    marks[name] = document.createElement("div");
    marks[name].className = "mark " + name;
    marks[name].hidden = true;
    overlay.append(marks[name]);
  }
  panel.hidden = false;
  chart.tabIndex = 0;
  chart.setAttribute("role", "group");
  chart.setAttribute("aria-label", "Lanes; arrow keys move the cursor");

  const view = () => [Number(svg.dataset.from), Number(svg.dataset.to)];
  const timeAt = f => { const [a, b] = view(); return a + f * (b - a); };
  const fracOf = t => { const [a, b] = view(); return (t - a) / (b - a); };

  function adopt() {
    svg = chart.querySelector("svg.lanes");
    chart.append(overlay);
    overlay.style.height = svg.dataset.bottom + "px";
    if (!new URLSearchParams(location.search).has("from")) whole = view();
    paint();
  }

  function paint() {
    for (const name of ["cursor", "one", "two"]) {
      const t = lines[name], f = t === null ? -1 : fracOf(t);
      marks[name].hidden = !(f >= 0 && f <= 1);
      marks[name].style.left = f * 100 + "%";
    }
    const text = [];
    if (lines.cursor !== null) text.push("cursor " + label.cursor);
    if (lines.one !== null) text.push("line 1 " + label.one);
    if (lines.two !== null) text.push("line 2 " + label.two);
    if (lines.one !== null && lines.two !== null) {
      const d = Math.abs(lines.two - lines.one);
      text.push("Δt " + unit(d) + (d > 0 ? " · " + digits(1 / d) + " Hz" : ""));
    }
    readout.textContent = text.join(" · ") || "Point at the lanes to read their values.";
  }

  const digits = x => Number(x.toPrecision(4)).toString().replace("-", "−");
  const unit = s => s < 1e-3 ? digits(s * 1e6) + " µs" : s < 1 ? digits(s * 1e3) + " ms" : digits(s) + " s";

  // One question at a time; of those for one line that came meanwhile only the last counts.
  let asking = false;
  const waiting = new Map();
  async function ask(t, name) {
    if (asking) { waiting.set(name, t); return; }
    asking = true;
    try {
      const answer = await fetch(self + "/at.json?t=" + t);
      if (!answer.ok) throw new Error(await answer.text());
      const at = await answer.json();
      step = at.step;
      if (!waiting.has(name)) { // else the line has moved on
        lines[name] = at.t;
        label[name] = at.label;
        if (name === "cursor") for (const value of svg.querySelectorAll(".value")) value.textContent = at.values[value.dataset.channel];
      }
      paint();
    } catch (e) { readout.textContent = "The values can't be read: " + (e.message || "no answer."); }
    asking = false;
    for (const [next, at] of waiting) { waiting.delete(next); ask(at, next); break; }
  }

  let loading = false, wanted = null, drawnAt = 0;
  async function show(from, to) {
    if (loading) { wanted = [from, to]; return; }
    loading = true;
    const all = from === null;
    const width = Math.round(chart.clientWidth);
    try {
      const answer = await fetch(self + "/lanes.svg?w=" + width + (all ? "" : "&from=" + from + "&to=" + to));
      if (!answer.ok) throw new Error(await answer.text());
      const drawn = new DOMParser().parseFromString(await answer.text(), "image/svg+xml").documentElement;
      svg.replaceWith(document.adoptNode(drawn));
      const here = new URL(location.href);
      here.search = all ? "" : "?from=" + from + "&to=" + to;
      history.replaceState(null, "", here);
      for (const a of document.querySelectorAll(".viewer .ranges a")) {
        if (new URL(a.href).search === here.search) a.setAttribute("aria-current", "true"); else a.removeAttribute("aria-current");
      }
      drawnAt = width;
      adopt();
      if (lines.cursor !== null) ask(lines.cursor, "cursor");
    } catch (e) { readout.textContent = "The lanes can't be drawn: " + (e.message || "no answer."); }
    loading = false;
    if (wanted) { const [a, b] = wanted; wanted = null; show(a, b); }
  }

  function zoom(factor) {
    const [a, b] = view(), mid = lines.cursor !== null && fracOf(lines.cursor) >= 0 && fracOf(lines.cursor) <= 1 ? lines.cursor : (a + b) / 2;
    const from = mid - (mid - a) * factor, to = mid + (b - mid) * factor;
    if (whole && from <= whole[0] && to >= whole[1] || !whole && factor > 1 && b - a > 1e6 * step) show(null, null);
    else show(round(from), round(to));
  }
  const round = t => Number(t.toFixed(9));

  const fracAt = e => { const box = chart.getBoundingClientRect(); return Math.min(1, Math.max(0, (e.clientX - box.left) / box.width)); };
  let down = null;
  chart.addEventListener("pointerdown", e => {
    if (e.button !== 0) return;
    down = fracAt(e);
    if (e.pointerType === "mouse") { chart.setPointerCapture(e.pointerId); e.preventDefault(); chart.focus({ preventScroll: true }); }
  });
  chart.addEventListener("pointermove", e => {
    const f = fracAt(e);
    ask(timeAt(f), "cursor");
    if (down === null || e.pointerType !== "mouse") return;
    marks.band.hidden = Math.abs(f - down) < 0.005;
    marks.band.style.left = Math.min(f, down) * 100 + "%";
    marks.band.style.width = Math.abs(f - down) * 100 + "%";
  });
  chart.addEventListener("pointerup", e => {
    if (down === null) return;
    const f = fracAt(e), from = timeAt(Math.min(f, down)), to = timeAt(Math.max(f, down)), dragged = !marks.band.hidden;
    down = null;
    marks.band.hidden = true;
    if (dragged) show(round(from), round(to));
    else ask(timeAt(f), lines.one === null || lines.two !== null && (lines.two = null, true) ? "one" : "two");
  });
  chart.addEventListener("pointercancel", () => { down = null; marks.band.hidden = true; });

  const deeds = {
    one: () => lines.cursor !== null && ask(lines.cursor, "one"),
    two: () => lines.cursor !== null && ask(lines.cursor, "two"),
    clear: () => { lines.one = lines.two = null; paint(); },
    in: () => zoom(0.5), out: () => zoom(2), fit: () => show(null, null),
  };
  panel.addEventListener("click", e => { const deed = deeds[e.target.dataset.do]; if (deed) deed(); });
  document.querySelector(".viewer .ranges").addEventListener("click", e => {
    const a = e.target.closest("a");
    if (!a || e.ctrlKey || e.metaKey || e.shiftKey || e.button) return;
    e.preventDefault();
    const q = new URL(a.href).searchParams;
    if (q.has("from")) show(Number(q.get("from")), Number(q.get("to"))); else show(null, null);
  });

  chart.addEventListener("keydown", e => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const [a, b] = view(), now = lines.cursor ?? Math.min(b, Math.max(a, 0));
    const far = e.shiftKey ? (b - a) / 100 : step || (b - a) / 1000;
    const keys = {
      ArrowLeft: () => go(now - far), ArrowRight: () => go(now + far), Home: () => go(a), End: () => go(b), 0: () => go(0),
      1: deeds.one, 2: deeds.two, "+": deeds.in, "=": deeds.in, "-": deeds.out, Escape: deeds.fit,
    };
    if (!keys[e.key]) return;
    e.preventDefault();
    keys[e.key]();
  });
  function go(t) {
    const [a, b] = view();
    t = Math.min(b, Math.max(a, t));
    lines.cursor = t; // held keys run ahead of the answers
    ask(t, "cursor");
  }

  let resized = 0;
  addEventListener("resize", () => {
    clearTimeout(resized);
    resized = setTimeout(() => {
      if (Math.abs(chart.clientWidth - drawnAt) < 20) return;
      const q = new URLSearchParams(location.search);
      if (q.has("from")) show(Number(q.get("from")), Number(q.get("to"))); else show(null, null);
    }, 200);
  });
  adopt();
  drawnAt = 1120;
  if (Math.abs(chart.clientWidth - drawnAt) > 150) dispatchEvent(new Event("resize"));
})();
