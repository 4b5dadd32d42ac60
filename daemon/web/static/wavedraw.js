"use strict";
// Draws lanes and the time axis on canvases. Colours come from the style sheet.
const WaveDraw = (() => {
  const row = 22; // height of a bit's row
  let colours = null;

  const readColours = root => {
    const style = getComputedStyle(root), named = name => style.getPropertyValue("--" + name).trim();
    colours = {};
    for (const name of ["ink", "muted", "ground", "pre", "grid", "blank"]) colours[name] = named(name);
    colours.role = { setpoint: named("muted"), speed: named("speed"), current: named("current"), torque: named("torque"), "dc-link": named("dc"),
      "position-error": named("error"), temperature: named("temperature"), digital: named("ink"), other: named("muted") };
    colours.hatch = null;
  };

  // A canvas as sharp as the screen, in CSS pixels.
  function prepare(canvas, width, height) {
    const scale = Math.min(devicePixelRatio || 1, 3), w = Math.round(width * scale), h = Math.round(height * scale);
    if (canvas.width !== w) canvas.width = w;
    if (canvas.height !== h) canvas.height = h;
    const g = canvas.getContext("2d");
    g.setTransform(scale, 0, 0, scale, 0, 0);
    g.clearRect(0, 0, width, height);
    g.font = "13px system-ui, sans-serif";
    return g;
  }

  const timeTicks = (view, width) => WaveScale.ticks(view.from, view.to, Math.min(12, Math.max(3, width / 110)));

  function ground(g, view, width, height) {
    g.fillStyle = colours.ground;
    g.fillRect(0, 0, width, height);
    const before = Math.min(1, view.place(0)) * width;
    g.fillStyle = colours.pre;
    if (before > 0) g.fillRect(0, 0, before, height);
    g.fillStyle = colours.grid;
    for (const t of timeTicks(view, width).at) g.fillRect(Math.round(view.place(t) * width), 0, 1, height);
  }

  function hatch(g) {
    if (colours.hatch) return colours.hatch;
    const tile = document.createElement("canvas");
    tile.width = tile.height = 8;
    const p = tile.getContext("2d");
    p.strokeStyle = colours.blank;
    p.lineWidth = 1.5;
    for (const x of [-4, 4, 12]) { p.moveTo(x, 8); p.lineTo(x + 8, 0); }
    p.stroke();
    return colours.hatch = g.createPattern(tile, "repeat");
  }

  // Text that stays readable over curves.
  function said(g, text, x, y, colour, align = "left") {
    g.textAlign = align;
    g.lineJoin = "round";
    g.lineWidth = 3;
    g.setLineDash([]);
    g.strokeStyle = colours.ground;
    g.strokeText(text, x, y);
    g.fillStyle = colour;
    g.fillText(text, x, y);
  }

  function gaps(g, channel, x, width, height, words) {
    for (const [from, to] of channel.gaps || []) {
      const a = Math.max(0, x(from)), b = Math.min(width, x(to));
      if (a >= b) continue;
      g.fillStyle = hatch(g);
      g.fillRect(a, 0, b - a, height);
      if (words && b - a > 64) said(g, "not read", a > 0 ? a + 6 : b - 6, height - 8, colours.muted, a > 0 ? "left" : "right");
    }
  }

  // The entries of an envelope that a stretch shows, and one more on either side.
  function part(e, from, to) {
    if (e.times === null) {
      const step = (e.to - e.from) / e.columns;
      return [Math.max(0, Math.floor((from - e.from) / step) - 1), Math.min(e.columns, Math.ceil((to - e.from) / step) + 1)];
    }
    const first = after(e.times, from), end = after(e.times, to);
    return [Math.max(0, first - 1), Math.min(e.times.length, end + 1)];
  }
  function after(times, t) {
    let lo = 0, hi = times.length;
    while (lo < hi) { const mid = (lo + hi) >> 1; if (times[mid] < t) lo = mid + 1; else hi = mid; }
    return lo;
  }
  const begins = (e, i) => e.times === null ? e.from + (e.to - e.from) * i / e.columns : e.times[i];
  const middle = (e, i) => e.times === null ? e.from + (e.to - e.from) * (i + 0.5) / e.columns : e.times[i];

  // Least and greatest of what is shown of channels, of finite numbers only.
  function bounds(found, from, to) {
    let low = Infinity, high = -Infinity;
    for (const { e, curve } of found) {
      const [a, b] = part(e, from, to);
      for (let i = a; i < b; i++) {
        const t = middle(e, i), l = curve.pairs[2 * i], h = curve.pairs[2 * i + 1];
        if (t < from || t > to) continue;
        if (l < Infinity && l > -Infinity) low = Math.min(low, curve.base + l);
        if (h < Infinity && h > -Infinity) high = Math.max(high, curve.base + h);
      }
    }
    return [low, high];
  }

  const any = ({ curve }) => curve.pairs.some(v => v === v);

  // One curve: through the samples, or up and down every column so that the
  // ends nearer to each other join. A break in the samples breaks the line.
  function trace(g, { e, curve }, from, to, x, y) {
    const [a, b] = part(e, from, to), dots = [];
    let open = false, last = 0, lone = null;
    g.beginPath();
    for (let i = a; i < b; i++) {
      const low = curve.pairs[2 * i];
      if (low !== low) {
        if (lone) dots.push(lone);
        open = false;
        lone = null;
        continue;
      }
      const px = x(middle(e, i));
      let y1 = y(curve.base + low), y2 = y(curve.base + curve.pairs[2 * i + 1]);
      if (open && Math.abs(y1 - last) > Math.abs(y2 - last)) [y1, y2] = [y2, y1];
      if (open) g.lineTo(px, y1); else g.moveTo(px, y1);
      if (y2 !== y1) g.lineTo(px, y2);
      lone = open || y2 !== y1 ? null : [px, y1];
      open = true;
      last = y2;
    }
    if (lone) dots.push(lone);
    g.stroke();
    g.fillStyle = g.strokeStyle;
    const sparse = e.times !== null && b - a > 1 && (x(e.times[b - 1]) - x(e.times[a])) / (b - a) > 8;
    if (sparse) for (let i = a; i < b; i++) if (curve.pairs[2 * i] === curve.pairs[2 * i]) dots.push([x(e.times[i]), y(curve.base + curve.pairs[2 * i])]);
    for (const [px, py] of dots) { g.beginPath(); g.arc(px, py, 2.2, 0, 7); g.fill(); }
  }

  // Same role, same colour; the second of a role in a lane is dashed, the third dotted.
  const dashes = [[], [7, 3], [2, 3], [9, 3, 2, 3]];
  function style(g, meta, lane, ch) {
    const role = meta.channels[ch].role, nth = lane.filter(c => meta.channels[c].role === role).indexOf(ch);
    g.strokeStyle = colours.role[role] || colours.muted;
    g.lineWidth = role === "dc-link" || role === "temperature" ? 2 : role === "current" ? 1.75 : 1.5;
    g.setLineDash(role === "setpoint" ? [5, 4] : dashes[nth % dashes.length]);
    g.lineJoin = g.lineCap = "round";
    if (g.getLineDash().length) g.lineCap = "butt";
  }

  // drawLane draws channels on one scale; offset is what their source's clock is behind.
  function lane(canvas, source, lane, view, width, height, offset = 0) {
    const meta = source.meta, g = prepare(canvas, width, height), from = view.from - offset, to = view.to - offset;
    const x = t => view.place(t + offset) * width, pixels = width * Math.min(devicePixelRatio || 1, 2);
    ground(g, view, width, height);
    const found = [];
    for (const ch of lane) {
      const e = source.best(ch, from, to, pixels);
      if (e) found.push({ ch, e, curve: e.curves.get(ch) });
    }
    if (meta.channels[lane[0]].digital) return bits(g, meta.channels[lane[0]], found[0], from, to, x, width, height);
    const [least, most] = bounds(found, from, to), [low, high] = WaveScale.span(least, most);
    const y = v => Math.min(height, Math.max(0, (high / 2 - v / 2) / (high / 2 - low / 2) * height));
    const levels = WaveScale.ticks(low, high, height < 60 ? 2 : 3);
    for (const v of levels.at) {
      g.fillStyle = v === 0 ? colours.blank : colours.grid;
      g.fillRect(0, Math.round(y(v)), width, 1);
    }
    for (const ch of lane) gaps(g, meta.channels[ch], x, width, height, true);
    for (const one of found) {
      style(g, meta, lane, one.ch);
      trace(g, one, from, to, x, y);
    }
    if (least <= most) {
      for (const v of levels.at) if (y(v) > 8 && y(v) < height - 4) said(g, WaveScale.fixed(v, levels.decimals), 4, Math.min(y(v) + 4, height - 2), colours.muted);
    } else if (found.length) said(g, found.some(any) ? "infinite values throughout" : "no values", width / 2, height / 2 + 5, colours.muted, "center");
  }

  // A digital word: a row of bars a bit, paler where it changes within what a pixel shows.
  function bits(g, channel, one, from, to, x, width, height) {
    gaps(g, channel, x, width, height, false);
    (channel.bits || []).forEach(({ bit, name }, i) => {
      const top = i * row;
      g.fillStyle = colours.grid;
      g.fillRect(0, top + 18, width, 1);
      if (one) bars(g, one, bit, from, to, x, top + 15, width);
      said(g, name, 4, top + 12, colours.ink);
    });
    if (!(channel.bits || []).length) said(g, "no bit set", 4, 15, colours.muted);
  }

  function bars(g, { e, curve }, bit, from, to, x, top, width) {
    const [a, b] = part(e, from, to);
    let start = 0, state = 0; // 0 off or not there, 1 on, 2 both
    const close = end => {
      if (state) {
        const left = Math.max(0, x(start)), right = Math.min(width, Math.max(x(end), x(start) + 1));
        g.fillStyle = colours.ink;
        g.globalAlpha = state === 1 ? 0.8 : 0.4;
        if (right > left) g.fillRect(left, top, right - left, 6);
        g.globalAlpha = 1;
      }
    };
    for (let i = a; i < b; i++) {
      const all = curve.pairs[2 * i], any = curve.pairs[2 * i + 1];
      const now = all & ~any ? 0 : any >>> bit & 1 ? (all >>> bit & 1 ? 1 : 2) : 0;
      if (now !== state) { close(begins(e, i)); start = begins(e, i); state = now; }
    }
    close(b < e.columns ? begins(e, b) : e.times === null ? e.to : e.times[b - 1] + (b > 1 ? e.times[b - 1] - e.times[b - 2] : 0));
  }

  function axis(canvas, view, width) {
    const g = prepare(canvas, width, 26), { at, decimals } = timeTicks(view, width), zero = view.place(0) * width;
    g.textAlign = "center";
    if (view.sees(0)) {
      g.font = "600 13px system-ui, sans-serif";
      g.fillStyle = colours.ink;
      g.fillText("0", Math.min(width - 30, Math.max(5, zero)), 18);
      g.font = "13px system-ui, sans-serif";
    }
    g.fillStyle = colours.muted;
    for (const t of at) {
      const px = view.place(t) * width, label = WaveScale.signed(t, decimals), half = g.measureText(label).width / 2;
      if (label !== "0" && px > half && px < width - half - 18 && (!view.sees(0) || Math.abs(px - zero) > half + 10)) g.fillText(label, px, 18);
    }
    g.textAlign = "right";
    g.fillText("s", width, 18);
  }

  const height = (meta, lane, usual) => meta.channels[lane[0]].digital ? Math.max(1, (meta.channels[lane[0]].bits || []).length) * row : usual;

  return { readColours, prepare, said, lane, axis, height, colours: () => colours };
})();
