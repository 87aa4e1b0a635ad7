// Two things, and nothing else: the board stays live, and a record checks itself.
// In front of this file stands CONTRACT, what every message of the contract is made of.

// ---- the board ------------------------------------------------------------------------------------------------

/// The service's clock less ours: this page counts by the service's.
let clockAhead = Number(document.body.dataset.now || Date.now()) - Date.now();
const serviceNow = () => Date.now() + clockAhead;

const length = (minutes) => {
  const days = Math.floor(minutes / 1440), hours = Math.floor(minutes / 60) % 24, rest = minutes % 60;
  if (days) return `${days} d ${hours} h`;
  return hours ? `${hours} h ${String(rest).padStart(2, "0")} min` : `${rest} min`;
};

/// What is left is rounded down and what is past rounded up, so that nobody reads more time than there is.
const left = (dueMs) => {
  const seconds = Math.floor(dueMs / 1000) - Math.floor(serviceNow() / 1000);
  if (seconds < 0) return `${length(Math.ceil(-seconds / 60))} over`;
  return seconds < 60 ? "under a minute left" : `${length(Math.floor(seconds / 60))} left`;
};

const countDown = () => {
  for (const time of document.querySelectorAll("time[data-due]")) {
    const text = left(Number(time.dataset.due));
    if (time.textContent !== text) time.textContent = text;
  }
};

const instant = (ms) => new Date(Number(ms)).toISOString().replace("T", " ").replace(/\.\d+Z$/, "Z");

const follow = (rows) => {
  const live = document.getElementById("live");
  let heard = Date.now(), size = live.dataset.size, judged = serviceNow(), state = "";
  const say = (now, strong, text) => {
    live.classList.toggle("lost", now === "lost");
    const said = `${strong} ${text}`;
    if (live.textContent.trim() === said) return;
    live.replaceChildren(Object.assign(document.createElement("strong"), { textContent: strong }), ` ${text}`);
    // Read out when the state changes, and not at every beat.
    live.setAttribute("aria-live", now === state ? "off" : "polite");
    state = now;
  };
  const look = () => {
    const silent = Date.now() - heard;
    if (silent > 10000) {
      say("lost", "Connection lost.", `What you see is ${Math.floor(silent / 1000)} s old: as known at entry ${size}, ${instant(judged)}. Ask the stations before you rely on it.`);
    } else {
      say("live", "Live.", `The log has ${size} entries; the service's clock says ${instant(judged)}.`);
    }
  };
  const beat = (event) => {
    const said = JSON.parse(event.data);
    heard = Date.now(); size = said.size; judged = said.now_ms; clockAhead = said.now_ms - Date.now();
    look(); countDown();
  };
  const put = (event) => {
    const holder = document.createElement("template");
    holder.innerHTML = event.data;
    const row = holder.content.firstElementChild;
    document.getElementById(row.id)?.remove();
    const behind = [...rows.children].find((other) => other.dataset.key > row.dataset.key);
    row.classList.add("fresh");
    rows.insertBefore(row, behind || null);
    document.querySelector(".changed").textContent = `Last change: ${instant(serviceNow())}`;
  };
  const source = new EventSource(rows.dataset.events);
  source.addEventListener("beat", beat);
  source.addEventListener("row", put);
  source.addEventListener("gone", (event) => document.getElementById(`a${event.data}`)?.remove());
  source.addEventListener("count", (event) => { document.getElementById("count").innerHTML = event.data; });
  source.addEventListener("anew", () => { source.close(); location.reload(); });
  source.addEventListener("error", () => { heard = Math.min(heard, Date.now() - 11000); look(); });
  setInterval(() => { look(); countDown(); }, 1000);
};

const rows = document.getElementById("rows");
if (rows) follow(rows);
else if (document.querySelector("time[data-due]")) setInterval(countDown, 1000);
