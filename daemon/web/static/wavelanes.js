"use strict";
// The lanes as elements: their heads with names and values, their order, and
// the list in which they are ordered, hidden and merged without a pointer.
const WaveLanes = (() => {
  const element = (tag, name, text) => {
    const e = document.createElement(tag);
    if (name) e.className = name;
    if (text !== undefined) e.textContent = text;
    return e;
  };

  function swatch(channel) {
    const e = element("span", "swatch " + channel.role);
    e.setAttribute("aria-hidden", "true");
    return e;
  }

  const title = channel => channel.name + (channel.unit && !channel.digital ? ", " + channel.unit : "");

  // One lane: a head a channel, and the canvas. grips: its names are buttons that move it.
  function make(meta, channels, grips) {
    const lane = element("div", "lane"), canvas = element("canvas");
    lane.channels = channels;
    lane.canvas = canvas;
    canvas.setAttribute("aria-hidden", "true");
    for (const ch of channels) {
      const head = element("div", "head"), name = element(grips ? "button" : "span", "grip");
      if (grips) name.type = "button";
      name.append(swatch(meta.channels[ch]), title(meta.channels[ch]));
      const value = element("span", "value");
      value.dataset.channel = ch;
      head.append(name, value);
      lane.append(head);
    }
    lane.append(canvas);
    return lane;
  }

  class Lanes {
    // changed is called with what happened, in words, when the lanes are others.
    constructor(meta, view, stack, list, changed) {
      Object.assign(this, { meta, view, stack, list, changed });
      this.elements = [];
      stack.addEventListener("keydown", e => this.key(e));
      stack.addEventListener("pointerdown", e => this.grab(e));
      list.addEventListener("click", e => this.click(e));
    }

    // render makes the elements anew; the focus stays with the lane that had it.
    render() {
      const focused = document.activeElement, held = focused.closest(".lane");
      const channel = held && this.stack.contains(held) && focused.matches(".grip") ? held.channels[0] : null;
      for (const e of this.elements) e.remove();
      this.elements = this.view.lanes.map(channels => make(this.meta, channels, true));
      this.stack.prepend(...this.elements);
      this.elements.forEach((lane, i) => {
        const place = `lane ${i + 1} of ${this.elements.length}`;
        for (const grip of lane.querySelectorAll(".grip")) {
          grip.setAttribute("aria-label", `${grip.textContent}: ${place}`);
          grip.setAttribute("aria-describedby", "grip-keys");
        }
        if (channel !== null && lane.channels.includes(channel)) lane.querySelector(".grip").focus({ preventScroll: true });
      });
      this.renderList();
    }

    renderList() {
      const focused = document.activeElement, again = this.list.contains(focused) && [focused.dataset.do, focused.dataset.channel];
      const button = (text, deed, channel, names) => {
        const b = element("button", "", text);
        b.type = "button";
        b.dataset.do = deed;
        b.dataset.channel = channel;
        if (names) b.setAttribute("aria-label", names + ": " + text);
        return b;
      };
      const rows = this.view.lanes.map((channels, i) => {
        const li = element("li"), names = channels.map(ch => this.meta.channels[ch].name).join(" + "), first = channels[0];
        const name = element("span", "name");
        for (const ch of channels) name.append(swatch(this.meta.channels[ch]));
        name.append(names);
        li.append(name);
        if (i > 0) li.append(button("up", "up", first, names));
        if (i < this.view.lanes.length - 1) li.append(button("down", "down", first, names));
        if (this.view.canMerge(i)) li.append(button("merge with the one above", "merge", first, names));
        if (channels.length > 1) li.append(button("a lane each", "part", first, names));
        if (this.view.lanes.length > 1) li.append(button("hide", "hide", first, names));
        return li;
      });
      for (const ch of this.view.hidden()) {
        const li = element("li", "gone"), name = element("span", "name");
        name.append(swatch(this.meta.channels[ch]), this.meta.channels[ch].name + ", hidden");
        li.append(name, button("show", "show", ch, this.meta.channels[ch].name));
        rows.push(li);
      }
      const last = element("li");
      last.append(button("all lanes as they were", "usual", ""));
      this.list.replaceChildren(...rows, last);
      if (!again) return;
      const buttons = [...this.list.querySelectorAll("button")];
      const same = buttons.find(b => b.dataset.do === again[0] && b.dataset.channel === again[1]) || buttons.find(b => b.dataset.channel === again[1]) || buttons.at(-1);
      same.focus({ preventScroll: true });
    }

    act(deed, lane) {
      const view = this.view, name = lane >= 0 && view.lanes[lane].map(ch => this.meta.channels[ch].name).join(" + ");
      switch (deed) {
        case "up": if (view.move(lane, lane - 1)) this.done(`${name}: lane ${lane} of ${view.lanes.length}`); break;
        case "down": if (view.move(lane, lane + 1)) this.done(`${name}: lane ${lane + 2} of ${view.lanes.length}`); break;
        case "merge": if (view.canMerge(lane)) { view.merge(lane); this.done(name + ": on one scale with the lane above"); } break;
        case "part": if (view.lanes[lane].length > 1) { view.part(lane); this.done(name + ": a lane each"); } break;
        case "hide": if (view.lanes.length > 1) { view.hide(lane); this.done(name + ": hidden"); } break;
      }
    }

    done(words) {
      this.render();
      this.changed(words);
    }

    click(e) {
      const { do: deed, channel } = e.target.dataset;
      if (!deed) return;
      if (deed === "usual") { this.view.usually(); this.done("all lanes as they were"); return; }
      if (deed === "show") { this.view.reveal(Number(channel)); this.done(this.meta.channels[channel].name + ": shown"); return; }
      this.act(deed, this.view.lanes.findIndex(lane => lane[0] === Number(channel)));
    }

    key(e) {
      if (!e.target.matches(".grip") || e.ctrlKey || e.metaKey || e.altKey) return;
      const deed = { ArrowUp: "up", ArrowDown: "down", m: "merge", p: "part", h: "hide", Delete: "hide" }[e.key];
      if (!deed) return;
      e.preventDefault();
      e.stopPropagation();
      this.act(deed, this.elements.indexOf(e.target.closest(".lane")));
    }

    // A lane is moved by its name; it changes places as soon as the pointer is over another.
    grab(e) {
      const grip = e.target.closest(".grip");
      if (!grip || e.button !== 0 || !this.stack.contains(grip) || grip.tagName !== "BUTTON") return;
      e.stopPropagation();
      let lane = this.elements.indexOf(grip.closest(".lane")), moved = false;
      const first = this.view.lanes[lane][0], began = e.clientY;
      const move = e => {
        if (!moved && Math.abs(e.clientY - began) < 6) return;
        moved = true;
        const over = this.elements.findIndex(other => { const box = other.getBoundingClientRect(); return e.clientY >= box.top && e.clientY < box.bottom; });
        if (over < 0 || over === lane) return;
        // Only so far that the pointer stays over the lane: one of another height would jump back and forth.
        const box = this.elements[over].getBoundingClientRect(), own = this.elements[lane].getBoundingClientRect().height;
        if (over > lane ? e.clientY < box.bottom - own : e.clientY > box.top + own) return;
        this.view.move(lane, over);
        this.render();
        lane = this.view.lanes.findIndex(channels => channels[0] === first);
        this.elements[lane].classList.add("held");
        this.changed("");
      };
      const end = () => {
        removeEventListener("pointermove", move);
        removeEventListener("pointerup", end);
        removeEventListener("pointercancel", end);
        for (const lane of this.elements) lane.classList.remove("held");
      };
      addEventListener("pointermove", move);
      addEventListener("pointerup", end);
      addEventListener("pointercancel", end);
    }

    // The lane at a height of the window, and its first channel.
    under(clientY) { return this.elements.find(lane => { const box = lane.getBoundingClientRect(); return clientY >= box.top && clientY < box.bottom; }); }
  }

  return { Lanes, make, element, swatch, title };
})();
