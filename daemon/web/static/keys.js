// Keys on a list of what happened: j and k go from trip to trip, x chooses, r
// marks as reviewed, Enter opens.
(() => {
  "use strict";
  const links = () => [...document.querySelectorAll(".row.capture a.fault")];
  const row = () => document.activeElement && document.activeElement.closest(".row.capture");

  function go(step) {
    const all = links();
    if (!all.length) return;
    const here = row();
    const at = here ? all.findIndex(a => here.contains(a)) : -1;
    const to = at < 0 ? (step > 0 ? 0 : all.length - 1) : Math.min(all.length - 1, Math.max(0, at + step));
    all[to].focus();
    all[to].closest(".row").scrollIntoView({ block: "nearest" });
  }

  function review() {
    const here = row();
    const form = document.getElementById("mark");
    const boxes = [...document.querySelectorAll('input[form="mark"]')];
    if (!form || !boxes.length) return;
    if (!boxes.some(b => b.checked)) {
      const mine = here && here.querySelector('input[form="mark"]');
      if (!mine) return;
      mine.checked = true;
    }
    form.requestSubmit(form.querySelector("button"));
  }

  addEventListener("keydown", e => {
    if (e.ctrlKey || e.metaKey || e.altKey || /^(INPUT|TEXTAREA|SELECT)$/.test(e.target.tagName) && e.target.type !== "checkbox") return;
    const box = row() && row().querySelector('input[form="mark"]');
    switch (e.key) {
      case "j": go(1); break;
      case "k": go(-1); break;
      case "x": if (!box) return; box.checked = !box.checked; break;
      case "r": review(); break;
      default: return;
    }
    e.preventDefault();
  });
})();
