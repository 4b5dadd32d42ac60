"use strict";
// Values at the cursor and the lines, and the exact figures of a stretch. The
// server has every sample, so it is asked for each of them.
const WaveFigures = (() => {
  const { element, swatch } = WaveLanes;

  class Figures {
    // page has meta, view, readout, table, over, tell(error) and painted().
    constructor(page) {
      this.page = page;
      this.labels = {}; // of cursor, a and b, as the server writes times
      this.values = []; // at the cursor, a channel each
      this.zero = []; // at the trigger
      this.step = page.meta.step;
      this.waiting = new Map();
      this.asking = false;
    }

    // ask moves the cursor or a line to the sample nearest to a time, or to the
    // extreme near it. One question at a time; of those for one of them that come
    // meanwhile only the last counts.
    async ask(name, t, near) {
      if (this.asking) { this.waiting.set(name, [t, near]); return; }
      this.asking = true;
      try {
        const at = await WaveData.json(`${this.page.meta.self}/at.json?t=${t}` + (near ? `&near=${near.channel}&within=${near.within}` : ""));
        if (!this.waiting.has(name)) this.took(name, at); // else it has moved on
      } catch (e) { this.page.tell("The values can't be read: " + e.message); }
      this.asking = false;
      for (const [next, [at, how]] of this.waiting) { this.waiting.delete(next); this.ask(next, at, how); break; }
    }

    took(name, at) {
      const view = this.page.view;
      if (name === "zero") { this.zero = at.values.map(value => value + " at 0"); this.page.painted(); return; }
      if (name !== "cursor" && view.lines[name] === null) return; // taken away meanwhile
      this.step = at.step;
      this.labels[name] = at.label;
      if (name === "cursor") { view.cursor = at.t; this.values = at.values; } else view.lines[name] = at.t;
      this.page.painted();
      if (name === "cursor") this.fill(); else this.soon();
    }

    readout() {
      const { cursor, lines } = this.page.view, text = [];
      if (cursor !== null && this.labels.cursor) text.push("cursor " + this.labels.cursor);
      if (lines.a !== null && this.labels.a) text.push("line 1 " + this.labels.a);
      if (lines.b !== null && this.labels.b) text.push("line 2 " + this.labels.b);
      if (lines.a !== null && lines.b !== null) {
        const d = Math.abs(lines.b - lines.a);
        text.push("Δt " + WaveScale.seconds(d) + (d > 0 ? " · 1/Δt " + WaveScale.hertz(1 / d) : ""));
      }
      return text.join(" · ") || "Point at the lanes to read their values.";
    }

    // The figures follow when view and lines have come to rest.
    soon() {
      clearTimeout(this.timer);
      this.timer = setTimeout(() => this.load(), 250);
    }

    async load() {
      const { meta, view } = this.page, asked = this.asked = {};
      const lines = ["a", "b"].filter(name => view.lines[name] !== null);
      try {
        const got = await WaveData.json(`${meta.self}/figures.json?from=${view.from}&to=${view.to}` + lines.map(name => `&${name}=${view.lines[name]}`).join(""));
        if (asked !== this.asked) return; // another question has been asked since
        this.got = got;
        this.names = lines;
        lines.forEach((name, i) => { this.labels[name] = got.lines[i].label; });
        this.page.painted();
        this.fill();
      } catch (e) { this.page.tell("The figures can't be read: " + e.message); }
    }

    // fill writes the table of what is shown: the lanes in words.
    fill() {
      const { meta, view, table } = this.page, got = this.got;
      if (!got) return;
      const both = this.names.length === 2, columns = [["Channel"]];
      columns.push(["Cursor", ch => this.values[ch] ?? "–"]);
      this.names.forEach((name, i) => columns.push([name === "a" ? "Line 1" : "Line 2", ch => got.lines[i].values[ch]]));
      if (both) columns.push(["Difference", ch => got.rows[ch].difference]);
      columns.push(["Mean", ch => got.rows[ch].mean], ["RMS", ch => got.rows[ch].rms], ["Lowest", ch => this.extreme(got.rows[ch], "low")], ["Highest", ch => this.extreme(got.rows[ch], "high")]);
      const focused = table.contains(document.activeElement) && document.activeElement.dataset.at;
      const head = element("tr");
      for (const [name] of columns) {
        const th = element("th", "", name);
        th.scope = "col";
        head.append(th);
      }
      const body = view.shown().map(ch => {
        const tr = element("tr"), th = element("th");
        th.scope = "row";
        th.append(swatch(meta.channels[ch]), meta.channels[ch].name);
        tr.append(th, ...columns.slice(1).map(([, cell]) => {
          const td = element("td");
          td.append(cell(ch));
          return td;
        }));
        return tr;
      });
      table.tHead.replaceChildren(head);
      table.tBodies[0].replaceChildren(...body);
      this.page.over.textContent = this.over();
      const same = focused && [...table.querySelectorAll("button")].find(b => b.dataset.at === focused);
      if (same) same.focus({ preventScroll: true });
    }

    over() {
      const { over, samples, from, to, rows } = this.got;
      if (!samples) return "No samples in what is shown.";
      const decimals = Math.min(9, Math.max(3, Math.ceil(-Math.log10(this.page.meta.step)) + 1)), gone = Math.max(...rows.map(row => row.gone));
      if (samples === 1) return `One sample ${over}, at ${WaveScale.signed(from, decimals)} s.`;
      return `Mean, RMS, lowest and highest ${over}: every one of ${samples} samples from ${WaveScale.signed(from, decimals)} s to ${WaveScale.signed(to, decimals)} s` +
        (gone ? `, less those that weren't read or are no numbers, up to ${gone} a channel.` : ".");
    }

    // An extreme is a button that brings the cursor to it.
    extreme(row, which) {
      const text = row[which], at = row[which + "_at"];
      if (!at) return text;
      const b = element("button", "extreme", text);
      b.type = "button";
      b.dataset.at = row.channel + which;
      b.title = "at " + at;
      b.setAttribute("aria-label", `${text}, at ${at}; brings the cursor there`);
      b.addEventListener("click", () => this.page.cursor(parseFloat(at.replace("−", "-").replace("+", ""))));
      return b;
    }
  }

  return { Figures };
})();
