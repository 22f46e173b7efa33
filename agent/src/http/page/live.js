// Keeps the marked parts of a page fresh: when something happens, the page is asked for again and the parts that differ
// are exchanged. All words are the server's; without this script the page says the same, a little later.
"use strict";
(() => {
  const said = document.getElementById("said");
  const lost = document.getElementById("lost");
  const watch = document.body.dataset.watch;
  const served = new Map();
  for (const part of document.querySelectorAll("[data-live]")) served.set(part.id, part.outerHTML);
  if (!served.size) return;

  let source = null, asked = false, last = 0, stale = false;

  async function renew() {
    asked = false;
    if (document.hidden) { stale = true; return; }
    stale = false;
    last = Date.now();
    let fresh;
    try {
      const answer = await fetch(location.href, { cache: "no-store" });
      // Between the end of a run and its record there is a moment with neither.
      if (answer.status === 404 || answer.status === 429) { soon(); return; }
      if (!answer.ok) throw new Error(answer.statusText);
      fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch (_) { lost.hidden = false; soon(); return; }
    lost.hidden = true;
    for (const [id, before] of served) {
      const now = fresh.getElementById(id);
      // Another page stands there now: the report of a run, or the place where the token is entered.
      if (!now || !("live" in now.dataset)) { location.reload(); return; }
      if (now.outerHTML === before) continue;
      served.set(id, now.outerHTML);
      const part = document.getElementById(id);
      const focus = document.activeElement && part.contains(document.activeElement) ? document.activeElement : null;
      const open = [...part.querySelectorAll("details")].map((d) => d.open);
      part.replaceWith(document.adoptNode(now));
      [...now.querySelectorAll("details")].forEach((d, i) => { d.open = open[i] || false; });
      if (focus) again(now, focus);
    }
    if (fresh.title) document.title = fresh.title;
  }

  // Whoever goes by keyboard stays where they were.
  function again(part, focus) {
    const href = focus.getAttribute("href");
    const same = (focus.id && document.getElementById(focus.id)) ||
      (href && [...part.querySelectorAll("a")].find((a) => a.getAttribute("href") === href));
    if (same) same.focus({ preventScroll: true });
  }

  function soon() {
    if (asked) return;
    asked = true;
    setTimeout(renew, Math.max(100, 1000 - (Date.now() - last)));
  }

  function heard(message) {
    const what = JSON.parse(message.data);
    if (watch && what.port && what.port !== watch) return;
    if (what.happening === "changed") said.textContent = `${what.port} is now ${what.change.to}`;
    if (what.happening === "run-over") said.textContent = `run of ${what.port} is over: ${what.outcome || "not made"}`;
    soon();
  }

  function listen() {
    if (source || document.hidden) return;
    source = new EventSource("/api/1/happenings");
    source.onmessage = heard;
    source.addEventListener("missed", soon);
    source.onopen = () => { if (!lost.hidden || stale) soon(); };
    source.onerror = () => { lost.hidden = false; };
  }

  // A page in the background holds no connection.
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) { if (source) source.close(); source = null; stale = true; } else { listen(); soon(); }
  });
  // A page left for another must not hold its stream either.
  addEventListener("pagehide", () => { if (source) source.close(); source = null; });
  addEventListener("pageshow", (e) => { if (e.persisted) { listen(); soon(); } });
  listen();
  // Ages grow though nothing happens.
  setInterval(soon, 30000);
})();
