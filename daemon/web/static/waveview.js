"use strict";
// What is shown of a capture, and the same as an address: a link reproduces it.
const WaveView = (() => {
  const round = t => Number(t.toFixed(9)) + 0;

  class View {
    // extent is how far one can look, beyond the record to its trace.
    constructor(meta, extent) {
      this.meta = meta;
      this.whole = [meta.from, meta.to];
      this.extent = extent;
      this.usual = meta.lanes.map(lane => lane.slice());
      this.read(new URLSearchParams(location.search));
    }

    read(q) {
      const number = key => q.has(key) && q.get(key).trim() !== "" && isFinite(Number(q.get(key))) ? Number(q.get(key)) : null;
      const from = number("from"), to = number("to");
      [this.from, this.to] = this.whole;
      if (from !== null && to !== null && from < to) this.show(from, to);
      this.cursor = number("t");
      this.lines = { a: number("a"), b: number("b") };
      this.lanes = this.parse(q.get("lanes")) || this.usual.map(lane => lane.slice());
      this.snap = q.get("snap") === "extremes";
      this.trace = q.get("trace") !== "0";
      this.spectrum = q.get("spectrum") === "1";
    }

    // "0~1,4": channels 0 and 1 on one scale, below them channel 4; null: nonsense.
    parse(text) {
      if (!text) return null;
      const lanes = text.split(",").map(lane => lane.split("~").map(Number)), all = lanes.flat(), channels = this.meta.channels;
      const sound = all.every(ch => Number.isInteger(ch) && ch >= 0 && ch < channels.length) && new Set(all).size === all.length &&
        lanes.every(lane => lane.length === 1 || lane.every(ch => !channels[ch].digital));
      return sound ? lanes : null;
    }

    get address() {
      const out = [], put = (key, value) => out.push(key + "=" + value);
      if (!this.isWhole()) { put("from", round(this.from)); put("to", round(this.to)); }
      if (this.cursor !== null) put("t", round(this.cursor));
      for (const name of ["a", "b"]) if (this.lines[name] !== null) put(name, round(this.lines[name]));
      const written = lanes => lanes.map(lane => lane.join("~")).join(",");
      if (written(this.lanes) !== written(this.usual)) put("lanes", written(this.lanes));
      if (this.snap) put("snap", "extremes");
      if (!this.trace) put("trace", "0");
      if (this.spectrum) put("spectrum", "1");
      return out.length ? "?" + out.join("&") : "";
    }

    // The address is written when things have come to rest: browsers allow only so many changes.
    remember() {
      clearTimeout(this.timer);
      this.timer = setTimeout(() => {
        const here = new URL(location.href);
        here.search = this.address;
        if (here.href !== location.href) history.replaceState(null, "", here);
      }, 150);
    }

    isWhole() { return this.from === this.whole[0] && this.to === this.whole[1]; }

    // The stretch is kept within the extent and no closer than a few samples.
    show(from, to) {
      const [lo, hi] = this.extent, least = Math.max(6 * this.meta.step, 1e-9);
      const width = Math.min(Math.max(to - from, least), hi - lo);
      if (width !== to - from) {
        from = from / 2 + to / 2 - width / 2;
        to = from + width;
      }
      if (from < lo) [from, to] = [lo, lo + width];
      if (to > hi) [from, to] = [hi - width, hi];
      const near = (this.whole[1] - this.whole[0]) * 1e-6;
      if (Math.abs(from - this.whole[0]) < near && Math.abs(to - this.whole[1]) < near) [from, to] = this.whole;
      this.from = from;
      this.to = to;
    }
    fit() { [this.from, this.to] = this.whole; }

    zoom(factor, about) {
      const [a, b] = [this.from, this.to], wide = [about - (about - a) * factor, about + (b - about) * factor];
      // Going out stops at the whole record before it goes on to the trace around it.
      const passes = factor > 1 && !this.isWhole() && a >= this.whole[0] && b <= this.whole[1] && wide[1] - wide[0] >= this.whole[1] - this.whole[0];
      if (passes) this.fit(); else this.show(...wide);
    }
    pan(by) { this.show(this.from + by, this.to + by); }

    at(fraction) { return this.from + fraction * (this.to - this.from); }
    place(t) { return (t - this.from) / (this.to - this.from); }
    sees(t) { return t >= this.from && t <= this.to; }

    // Lanes.
    shown() { return this.lanes.flat(); }
    hidden() { return this.usual.flat().filter(ch => !this.shown().includes(ch)); }
    move(lane, to) {
      if (to < 0 || to >= this.lanes.length) return false;
      this.lanes.splice(to, 0, ...this.lanes.splice(lane, 1));
      return true;
    }
    hide(lane) { if (this.lanes.length > 1) this.lanes.splice(lane, 1); }
    reveal(channel) { this.lanes.push([channel]); }
    mixable(lane) { return this.lanes[lane].every(ch => !this.meta.channels[ch].digital); }
    canMerge(lane) { return lane > 0 && this.mixable(lane) && this.mixable(lane - 1); }
    merge(lane) { if (this.canMerge(lane)) this.lanes.splice(lane - 1, 2, [...this.lanes[lane - 1], ...this.lanes[lane]]); }
    part(lane) { this.lanes.splice(lane, 1, ...this.lanes[lane].map(ch => [ch])); }
    usually() { this.lanes = this.usual.map(lane => lane.slice()); }
  }

  return { View, round };
})();
