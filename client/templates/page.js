// The clocks' truth, changes, and Enter. Everything else works without this file.
"use strict";
(() => {
  const body = document.body;
  const base = body.dataset.base;
  // The station's clock, not the browser's idea of it: both run on, the difference is kept.
  let ahead = Number(body.dataset.now) - Date.now();
  const now = () => Date.now() + ahead;
  const two = (n) => String(n).padStart(2, "0");
  const length = (ms) => {
    const s = Math.max(0, Math.floor(ms / 1000));
    const h = Math.floor(s / 3600), m = Math.floor(s / 60) % 60;
    return h > 0 ? `${h}:${two(m)}:${two(s % 60)}` : `${m}:${two(s % 60)}`;
  };
  let passed = null;
  const tick = () => {
    const t = now();
    for (const e of document.querySelectorAll("[data-clock]")) e.textContent = new Date(t).toISOString().slice(11, 19);
    for (const e of document.querySelectorAll("[data-since]")) e.textContent = length(t - Number(e.dataset.since));
    let over = 0;
    for (const e of document.querySelectorAll("[data-until]")) {
      const left = Number(e.dataset.until) - t;
      // What is left is rounded up: nobody reads that a soak is over before it is.
      e.textContent = left > 0 ? length(left + 999) + " left" : "ended";
      if (left <= 0) over += 1;
    }
    // What a period barred is open again: the page says what comes next.
    if (passed !== null && over > passed) changed();
    passed = over;
  };
  const typing = () => {
    const e = document.activeElement;
    return e && ["INPUT", "TEXTAREA", "SELECT", "BUTTON"].includes(e.tagName);
  };
  const changed = () => {
    if (body.dataset.live === "true" && !typing()) location.reload();
    else document.getElementById("fresh").hidden = false;
  };
  tick();
  setInterval(tick, 250);

  // A scanner types a tag and sends Enter: that goes on to the next field and never sends the form.
  document.addEventListener("keydown", (event) => {
    const e = event.target;
    if (event.key !== "Enter" || e.tagName !== "INPUT" || e.type === "password") return;
    event.preventDefault();
    const all = [...e.form.querySelectorAll("input:not([type=hidden]), select, textarea, button")];
    const next = all.slice(all.indexOf(e) + 1).find((f) => f.type !== "checkbox" && f.type !== "radio");
    if (next) next.focus();
  });

  // One tap is one act.
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.dataset.sent) event.preventDefault();
    form.dataset.sent = "1";
    setTimeout(() => delete form.dataset.sent, 3000);
  });

  const events = new EventSource(base + "/events");
  let known = null;
  events.addEventListener("now", (event) => {
    const told = JSON.parse(event.data);
    ahead = told.now_ms - Date.now();
    if (known !== null && told.change !== known) changed();
    known = told.change;
  });
})();
