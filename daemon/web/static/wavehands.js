"use strict";
// Pointer, wheel, fingers and keys over the lanes, as wishes to the page.
const WaveHands = (() => {
  const near = 7; // pixels at which a line is taken hold of
  const slack = 4; // pixels that a click may slip

  // hands listens on the stack of lanes. page offers view, line(name, t, y),
  // cursor(t), band(from, to), changed(), deeds.
  function hands(stack, page) {
    const view = page.view, pointers = new Map();
    let drag = null; // what one pointer is about: kind, x at its beginning, view at its beginning
    const box = () => stack.getBoundingClientRect();
    const fraction = e => { const b = box(); return Math.min(1, Math.max(0, (e.clientX - b.left) / b.width)); };

    function lineNear(e) {
      const b = box(), x = e.clientX - b.left;
      for (const name of ["a", "b"]) {
        const t = view.lines[name];
        if (t !== null && Math.abs(view.place(t) * b.width - x) <= near) return name;
      }
      return null;
    }

    stack.addEventListener("pointerdown", e => {
      if (e.target.closest(".grip") || e.button > 1) return;
      pointers.set(e.pointerId, e);
      if (e.pointerType === "mouse") { e.preventDefault(); stack.focus({ preventScroll: true }); }
      stack.setPointerCapture(e.pointerId);
      if (pointers.size === 2) { pinch(); return; }
      const line = lineNear(e), pans = e.button === 1 || e.shiftKey || e.pointerType === "touch";
      drag = { kind: line ? "line" : pans ? "pan" : "band", line, began: fraction(e), x: e.clientX, from: view.from, to: view.to, moved: false };
    });

    // Two fingers hold on to the times that they were put upon.
    function pinch() {
      const [a, b] = [...pointers.values()].map(fraction);
      drag = { kind: "pinch", at: [view.at(a), view.at(b)], moved: true };
      page.band(null);
    }

    stack.addEventListener("pointermove", e => {
      if (e.target.closest(".grip") && !drag) return;
      const f = fraction(e);
      if (pointers.has(e.pointerId)) pointers.set(e.pointerId, e);
      if (!drag) { if (e.pointerType !== "touch") page.cursor(view.at(f)); return; }
      if (drag.kind === "pinch") {
        const [f1, f2] = [...pointers.values()].map(fraction), [t1, t2] = drag.at;
        if (pointers.size !== 2 || Math.abs(f2 - f1) < 0.02 || (t2 - t1) * (f2 - f1) <= 0) return;
        const width = (t2 - t1) / (f2 - f1);
        view.show(t1 - f1 * width, t1 + (1 - f1) * width);
        page.changed();
        return;
      }
      if (Math.abs(e.clientX - drag.x) > slack) drag.moved = true;
      if (!drag.moved) return;
      if (drag.kind === "line") page.line(drag.line, view.at(f), e.clientY);
      if (drag.kind === "band") page.band(view.at(Math.min(drag.began, f)), view.at(Math.max(drag.began, f)));
      if (drag.kind === "pan") {
        const by = (drag.began - f) * (drag.to - drag.from);
        view.show(drag.from + by, drag.to + by);
        page.changed();
      }
    });

    function up(e, given) {
      pointers.delete(e.pointerId);
      if (!drag || pointers.size > 0) return;
      const { kind, began, moved } = drag, f = fraction(e);
      drag = null;
      page.band(null);
      if (!given) return;
      if (kind === "band" && moved) {
        view.show(view.at(Math.min(began, f)), view.at(Math.max(began, f)));
        page.changed();
      } else if (!moved) page.click(view.at(f), e.clientY);
    }
    stack.addEventListener("pointerup", e => up(e, true));
    stack.addEventListener("pointercancel", e => up(e, false));

    // A wheel turned over the page scrolls it; over lanes in focus, or with
    // Ctrl as a trackpad's pinch sends it, it looks closer. Sideways it pans.
    stack.addEventListener("wheel", e => {
      if (!e.ctrlKey && !e.metaKey && document.activeElement !== stack) return;
      e.preventDefault();
      const unit = e.deltaMode === 1 ? 16 : e.deltaMode === 2 ? 400 : 1, sideways = e.shiftKey ? e.deltaY || e.deltaX : e.deltaX;
      if (e.shiftKey || Math.abs(e.deltaX) > Math.abs(e.deltaY)) view.pan(sideways * unit / box().width * (view.to - view.from));
      else view.zoom(Math.exp(Math.max(-1, Math.min(1, e.deltaY * unit * (e.ctrlKey ? 0.01 : 0.002)))), view.at(fraction(e)));
      page.changed();
    }, { passive: false });

    stack.addEventListener("keydown", e => {
      if (e.target !== stack || e.ctrlKey || e.metaKey || e.altKey) return;
      const width = view.to - view.from, now = view.cursor ?? Math.min(view.to, Math.max(view.from, 0));
      const far = e.shiftKey ? width / 100 : page.step();
      const keys = {
        ArrowLeft: () => page.cursor(now - far), ArrowRight: () => page.cursor(now + far), Home: () => page.cursor(view.from), End: () => page.cursor(view.to), 0: () => page.cursor(0),
        PageUp: () => { view.pan(-width / 2); page.changed(); }, PageDown: () => { view.pan(width / 2); page.changed(); },
        1: page.deeds.one, 2: page.deeds.two, "+": page.deeds.in, "=": page.deeds.in, "-": page.deeds.out, Escape: page.deeds.fit, Backspace: page.deeds.clear,
      };
      const deed = keys[e.key];
      if (!deed) return;
      e.preventDefault();
      deed();
    });
  }

  return { hands };
})();
