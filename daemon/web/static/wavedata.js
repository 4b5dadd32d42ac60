"use strict";
// Samples as the server reduces them: asked for, decoded, and held for a while.
const WaveData = (() => {
  const mostColumns = 8192, mostPairs = 1 << 20; // what the server answers at once
  const mostHeld = 6;

  async function ask(url) {
    const answer = await fetch(url);
    if (!answer.ok) throw new Error((await answer.text()).trim() || "no answer.");
    return answer;
  }
  const json = async url => (await ask(url)).json();

  // The layout is that of the Go package envelope. All its parts begin at
  // multiples of eight bytes, and every machine with a browser is little-endian.
  function decode(buffer) {
    const head = new DataView(buffer);
    if (buffer.byteLength < 32 || head.getUint32(0) !== 0x464b454e || head.getUint16(4, true) !== 1) throw new Error("the answer isn't an envelope.");
    const n = head.getUint32(8, true), m = head.getUint32(12, true), samples = head.getUint16(6, true) === 1;
    const e = { from: head.getFloat64(16, true), to: head.getFloat64(24, true), columns: m, times: null, curves: new Map() };
    let at = 32 + 16 * n;
    if (samples) {
      e.times = new Float64Array(buffer, at, m);
      at += 8 * m;
    }
    for (let i = 0; i < n; i++, at += 8 * m) {
      const share = 32 + 16 * i, digital = head.getUint32(share + 4, true) === 1;
      e.curves.set(head.getUint32(share, true), {
        base: head.getFloat64(share + 8, true),
        pairs: digital ? new Uint32Array(buffer, at, 2 * m) : new Float32Array(buffer, at, 2 * m),
      });
    }
    return e;
  }

  // Source is one capture's samples. came is called when there are new ones,
  // failed with why there are none.
  class Source {
    constructor(meta, came, failed) {
      Object.assign(this, { meta, came, failed, held: [], asking: false, wish: null });
    }

    // Whether an envelope shows a stretch as finely as it can be seen.
    static fine(e, from, to, pixels) {
      return e.from <= from && e.to >= to && (e.times !== null || e.columns / (e.to - e.from) >= 0.9 * pixels / (to - from));
    }

    clip(from, to) { return [Math.max(from, this.meta.from), Math.min(to, this.meta.to)]; }

    // The best that is held of a channel for a stretch; null: nothing.
    best(channel, from, to, pixels) {
      let coarse = null;
      [from, to] = this.clip(from, to);
      for (const e of this.held) {
        if (!e.curves.has(channel) || e.to <= from || e.from >= to) continue;
        if (Source.fine(e, from, to, pixels)) return e;
        const covers = Math.min(e.to, to) - Math.max(e.from, from);
        if (coarse === null || covers > coarse.covers * 1.01) coarse = { e, covers };
      }
      return coarse && coarse.e;
    }

    // want asks for what isn't held of a stretch, and for half of its length on
    // either side, so that a hand that drags finds something there. One question
    // at a time; of the wishes that come meanwhile only the last counts.
    want(from, to, pixels, channels) {
      const [lo, hi] = this.clip(from, to);
      if (!(lo < hi) || channels.length === 0) return;
      pixels = Math.min(pixels, mostColumns / 2, mostPairs / channels.length / 2); // so that what comes is fine enough
      const there = this.held.some(e => Source.fine(e, lo, hi, pixels) && channels.every(ch => e.curves.has(ch)));
      if (there) return;
      if (this.asking) { this.wish = [from, to, pixels, channels]; return; }
      const half = (to - from) / 2, [a, b] = this.clip(from - half, to + half);
      this.fetch(a, b, Math.max(1, Math.floor(pixels * (b - a) / (to - from))), channels);
    }

    async fetch(from, to, width, channels) {
      this.asking = true;
      try {
        const answer = await ask(`${this.meta.self}/envelope?from=${from}&to=${to}&width=${width}&channels=${channels.join(",")}`);
        this.held.unshift(decode(await answer.arrayBuffer()));
        if (this.held.length > mostHeld) this.held.splice(-2, 1); // the first one shows the whole and stays
        this.came();
      } catch (e) { this.failed(e); }
      this.asking = false;
      const wish = this.wish;
      this.wish = null;
      if (wish) this.want(...wish);
    }
  }

  return { json, decode, Source };
})();
