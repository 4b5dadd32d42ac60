"use strict";
// Spectra of what is shown, when they are asked for.
const WaveSpectrum = (() => {
  const { element, swatch, title } = WaveLanes;
  const height = 84;

  class Spectrum {
    // page has meta and view; box is the <details> that is opened for them.
    constructor(page, box) {
      Object.assign(this, { page, box, words: box.querySelector("p"), list: box.querySelector("div") });
      box.open = page.view.spectrum;
      box.addEventListener("toggle", () => {
        page.view.spectrum = box.open;
        page.view.remember();
        if (box.open) this.load();
      });
    }

    soon() {
      if (!this.box.open) return;
      clearTimeout(this.timer);
      this.timer = setTimeout(() => this.load(), 300);
    }

    async load() {
      const { meta, view } = this.page, asked = this.asked = {};
      const channels = view.shown().filter(ch => !meta.channels[ch].digital);
      try {
        const got = await WaveData.json(`${meta.self}/spectrum.json?from=${view.from}&to=${view.to}&channels=${channels.join(",")}`);
        if (asked === this.asked) this.show(got);
      } catch (e) { this.words.textContent = "The spectrum can't be had: " + e.message; }
    }

    show(got) {
      this.got = got;
      this.words.textContent = got.words || "No spectrum: " + (got.curves.length ? got.curves[0].why : "no channel with numbers is shown") + ".";
      this.list.replaceChildren(...got.curves.map(curve => {
        const lane = element("div", "lane"), head = element("div", "head"), name = element("span", "grip"), channel = this.page.meta.channels[curve.channel];
        name.append(swatch(channel), title(channel));
        head.append(name, element("span", "value", curve.why || (curve.peaks.length ? "Peaks: " + curve.peaks.join(" · ") : "No peak stands out of the noise.")));
        lane.append(head);
        if (curve.amplitude.length) {
          lane.canvas = element("canvas");
          lane.canvas.setAttribute("aria-hidden", "true");
          lane.append(lane.canvas);
        }
        return lane;
      }));
      this.draw();
    }

    draw() {
      if (!this.got || !this.box.open) return;
      this.got.curves.forEach((curve, i) => {
        const lane = this.list.children[i];
        if (lane.canvas) this.curve(lane.canvas, curve, this.page.meta.channels[curve.channel]);
      });
    }

    // The amplitudes stand on a scale of decades, four of them at most.
    curve(canvas, { amplitude }, channel) {
      const width = canvas.clientWidth, g = WaveDraw.prepare(canvas, width, height + 22), colours = WaveDraw.colours();
      const lines = amplitude.slice(1), most = (amplitude.length - 1) * this.got.step; // the first line is the mean, taken away
      const top = Math.max(...lines) * 1.3 || 1, bottom = Math.max(Math.min(...lines) / 1.3, top / 1e4);
      const x = f => f / most * width, y = v => height * Math.min(1, Math.log(top / Math.max(v, bottom)) / Math.log(top / bottom));
      g.fillStyle = colours.ground;
      g.fillRect(0, 0, width, height);
      const across = WaveScale.ticks(0, most, Math.min(10, Math.max(3, width / 110))), decades = [];
      for (let d = Math.ceil(Math.log10(bottom)); 10 ** d <= top && decades.length < 6; d++) decades.push(10 ** d);
      g.fillStyle = colours.grid;
      for (const f of across.at) g.fillRect(Math.round(x(f)), 0, 1, height);
      for (const v of decades) g.fillRect(0, Math.round(y(v)), width, 1);
      g.strokeStyle = colours.role[channel.role] || colours.muted;
      g.lineWidth = 1.5;
      g.lineJoin = "round";
      g.setLineDash([]);
      g.beginPath();
      lines.forEach((v, k) => g.lineTo(x((k + 1) * this.got.step), y(v)));
      g.stroke();
      g.textAlign = "left";
      for (const v of decades) if (y(v) > 8 && y(v) < height - 4) WaveDraw.said(g, WaveScale.digits(v, 1), 4, y(v) + 4, colours.muted);
      g.fillStyle = colours.muted;
      g.textAlign = "center";
      for (const f of across.at) if (x(f) > 12 && x(f) < width - 50) g.fillText(WaveScale.fixed(f, across.decimals), x(f), height + 16);
      g.textAlign = "right";
      g.fillText("Hz", width, height + 16);
    }
  }

  return { Spectrum };
})();
