"use strict";
// Ranges, round numbers and how they are written: the same rules as in the
// server's pictures.
const WaveScale = (() => {
  // A little air around the values, zero included where it is near, and never
  // so narrow that the noise of a steady signal fills the lane.
  function span(low, high) {
    if (!(low <= high)) low = high = 0;
    if (low > 0 && low <= high / 4) low = 0;
    if (high < 0 && high >= low / 4) high = 0;
    const size = Math.max(Math.abs(low), Math.abs(high)), least = size === 0 ? 2 : size * 0.08;
    if (high / 2 - low / 2 < least / 2) {
      const middle = low / 2 + high / 2;
      low = middle - least / 2;
      high = middle + least / 2;
    }
    const air = (high / 2 - low / 2) * 0.12;
    return [Math.max(low - air, -Number.MAX_VALUE), Math.min(high + air, Number.MAX_VALUE)];
  }

  // About n round numbers between low and high, and the decimals that tell them apart.
  function ticks(low, high, n) {
    const raw = (high / 2 - low / 2) / n * 2;
    if (!(raw > 0) || !isFinite(raw)) return { at: [], decimals: 0 };
    const power = 10 ** Math.floor(Math.log10(raw)), step = power * [1, 2, 5, 10].find(m => m * power >= raw * 0.999);
    if (!(step > 0) || !isFinite(step)) return { at: [], decimals: 0 };
    const at = [];
    for (let k = Math.ceil(low / step); k * step <= high && at.length <= 4 * n; k++) at.push(k * step);
    return { at, decimals: Math.max(0, -Math.floor(Math.log10(step * 1.0001))) };
  }

  const minus = text => text.replace("-", "−");

  function fixed(x, decimals) {
    if (Math.abs(x) >= 1e7 || decimals > 6) return minus(String(Number(x.toPrecision(3))));
    const text = Math.abs(x).toFixed(decimals);
    return Number(text) === 0 ? "0" : (x < 0 ? "−" : "") + text;
  }

  function signed(t, decimals) {
    const text = Math.abs(t).toFixed(Math.min(decimals, 12));
    return Number(text) === 0 ? "0" : (t < 0 ? "−" : "+") + text;
  }

  const digits = (x, n = 4) => minus(String(Number(x.toPrecision(n))));
  const seconds = s => s === 0 ? "0 s" : s < 1e-3 ? digits(s * 1e6) + " µs" : s < 1 ? digits(s * 1e3) + " ms" : digits(s) + " s";
  const hertz = f => f >= 1e6 ? digits(f / 1e6) + " MHz" : f >= 1e4 ? digits(f / 1e3) + " kHz" : digits(f) + " Hz";

  return { span, ticks, fixed, signed, digits, seconds, hertz };
})();
