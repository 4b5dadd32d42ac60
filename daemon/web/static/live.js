// Keeps the page's fragments as they are on the server: an event says that
// something changed, then each fragment is asked for and put in if it differs.
(() => {
  "use strict";
  const parts = [...document.querySelectorAll("[data-fragment]")];
  const lost = document.getElementById("lost");
  if (!document.body.hasAttribute("data-live") || !parts.length || !window.EventSource) return;

  const last = new Map(); // fragment → its markup as it came
  let running = false, again = false, timer = 0, source;

  async function swap(part) {
    const at = new URL(location.href);
    at.hash = "";
    at.searchParams.set("fragment", part.dataset.fragment);
    const answer = await fetch(at, { cache: "no-cache" });
    if (answer.status === 403) { location.reload(); return; } // the session has ended: the page itself leads to the login
    if (!answer.ok) throw new Error(String(answer.status));
    const text = await answer.text();
    if (last.get(part) === text) return;
    last.set(part, text);
    const focus = document.activeElement, inside = part.contains(focus);
    const href = inside && focus.getAttribute("href"), id = inside && focus.id;
    part.innerHTML = text;
    if (!inside) return;
    const same = id ? document.getElementById(id) : [...part.querySelectorAll("a")].find(a => a.getAttribute("href") === href);
    if (same) same.focus({ preventScroll: true });
  }

  async function refresh() {
    if (running) { again = true; return; }
    running = true;
    try {
      for (const part of parts) await swap(part);
      connected(true);
    } catch { connected(false); }
    running = false;
    if (again) { again = false; soon(); }
  }

  function soon() {
    clearTimeout(timer);
    timer = setTimeout(refresh, 600);
  }

  function connected(yes) { lost.hidden = yes; }

  function listen() {
    source = new EventSource("/events");
    source.addEventListener("change", soon);
    source.addEventListener("open", () => connected(true));
    source.addEventListener("error", () => {
      connected(false);
      if (source.readyState === EventSource.CLOSED) setTimeout(listen, 30000); // refused: too many pages are open
    });
  }
  listen();
  setInterval(() => { if (!document.hidden) soon(); }, 60000); // "seen 5 min ago" grows without a change
  document.addEventListener("visibilitychange", () => { if (!document.hidden) soon(); });
  addEventListener("pagehide", () => source.close());
  addEventListener("pageshow", e => { if (e.persisted) { listen(); soon(); } });
})();
