// Keeps the marked parts of a view fresh: when something happens, the view is asked for again and the parts that differ
// are exchanged. The agent sends the lines that changed (RFC 3229). All words are the agent's; without this script the
// view says the same, a little later.
"use strict";
(() => {
  const said = document.getElementById("said");
  const lost = document.getElementById("lost");
  const watch = document.body.dataset.watch;
  // Who tells of what happens need not be asked so often.
  const tells = "tells" in document.body.dataset;
  const served = new Map();
  for (const part of document.querySelectorAll("[data-live]")) served.set(part.id, part.outerHTML);
  if (!served.size) return;

  let source = null, asked = false, last = 0, stale = false, base = { tag: "", lines: [] };

  // The text of the view as it is now; null if nothing changed.
  async function asked_for() {
    const headers = { "A-IM": "lines", "If-None-Match": base.tag };
    const answer = await fetch(location.href, { cache: "no-store", headers });
    if (answer.status === 304) return null;
    // Between the end of a run and its record there is a moment with neither.
    if (answer.status === 404 || answer.status === 429) { soon(); return null; }
    if (!answer.ok) throw new Error(answer.statusText);
    const lines = (await answer.text()).split("\n");
    const held = (from, count) => base.lines.slice(+from, +from + +count);
    const meant = (line) => line[0] === "=" ? held(...line.slice(1).split(" ")) : [line.slice(1)];
    const whole = answer.status === 226 ? lines.flatMap(meant) : lines;
    base = { tag: answer.headers.get("ETag") || "", lines: whole };
    return whole.join("\n");
  }

  async function renew() {
    asked = false;
    if (document.hidden) { stale = true; return; }
    stale = false;
    last = Date.now();
    let text;
    try { text = await asked_for(); } catch (_) { lost.hidden = false; soon(); return; }
    lost.hidden = true;
    if (text === null) return;
    const fresh = new DOMParser().parseFromString(text, "text/html");
    for (const [id, before] of served) {
      const now = fresh.getElementById(id);
      // Another page stands there now: the report of a run, or the place where the token is entered.
      if (!now || !("live" in now.dataset)) { location.reload(); return; }
      if (now.outerHTML === before) continue;
      served.set(id, now.outerHTML);
      exchange(document.getElementById(id), document.adoptNode(now));
    }
    if (fresh.title) document.title = fresh.title;
  }

  // What a person opened, wrote or stands on stays as it is.
  function exchange(part, now) {
    const open = new Map([...part.querySelectorAll("details")].map((d) => [d.firstElementChild.textContent, d.open]));
    const written = [...part.querySelectorAll("input:not([type=hidden]), select")].filter((f) => f.name && touched(f));
    const focus = part.contains(document.activeElement) ? document.activeElement : null;
    part.replaceWith(now);
    for (const d of now.querySelectorAll("details")) d.open = open.get(d.firstElementChild.textContent) ?? d.open;
    for (const field of written) {
      const is_same = (f) => f.name === field.name && f.form?.action === field.form?.action;
      const same = [...now.querySelectorAll(field.tagName)].find(is_same);
      if (same) same.value = field.value;
    }
    if (!focus) return;
    const href = focus.getAttribute("href");
    const same = (focus.id && document.getElementById(focus.id)) ||
      (href && [...now.querySelectorAll("a")].find((a) => a.getAttribute("href") === href));
    if (same) same.focus({ preventScroll: true });
  }

  function touched(field) {
    return field.tagName === "SELECT" ? field.selectedIndex > 0 : field.value !== field.defaultValue;
  }

  function soon() {
    if (asked) return;
    asked = true;
    setTimeout(renew, Math.max(100, 1000 - (Date.now() - last)));
  }

  function heard(message) {
    const what = JSON.parse(message.data);
    if (watch && what.port && what.port !== watch) return;
    if (what.happening === "changed") said.textContent = `${what.port} ${what.change.to}`;
    if (what.happening === "run-over") said.textContent = `run of ${what.port} is over: ${what.outcome || "not made"}`;
    soon();
  }

  function listen() {
    if (!tells || source || document.hidden) return;
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
  // Something may have happened between the making of this view and the opening of its stream.
  soon();
  // Ages grow though nothing happens.
  setInterval(soon, tells ? 30000 : 10000);
})();
