// The living page: the age of what is shown ticks, the stream stirs a new drawing, the last state is kept for offline.

const MINUTE = 60_000;
const SETTLE = 4_000; // at most one new drawing in this time
const head = () => document.getElementById("live-head");
const words = () => JSON.parse(document.getElementById("words")?.dataset.words ?? "{}");
let offset = 0; // this device's clock minus the server's

function learnOffset() {
  const made = Number(head()?.dataset.made);
  if (!made) return;
  const kept = Number(document.documentElement.dataset.kept);
  offset = (kept || Date.now()) - made;
}

const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, key) => values[key] ?? "");

function span(seconds, w) {
  if (seconds < 99.5) return fill(w.seconds, { n: Math.round(seconds) });
  const minutes = Math.round(seconds / 60);
  if (minutes < 100) return fill(w.minutes, { n: minutes });
  const hours = Math.round(minutes / 60);
  return hours <= 72 ? fill(w.hours, { n: hours }) : fill(w.days, { n: Math.round(hours / 24) });
}

function tellAge() {
  const heard = Number(head()?.dataset.heard);
  const place = document.getElementById("age");
  if (!heard || !place) return;
  const w = words();
  const seconds = Math.max(0, (Date.now() - offset - heard) / 1000);
  const stale = place.dataset.stale === "yes" || seconds > Number(head().dataset.silence);
  const ago = seconds < 2 ? w.now : fill(w.ago, { span: span(seconds, w) });
  const said = fill(stale ? w.stale : w.heard, { age: ago });
  if (place.textContent !== said) place.textContent = said;
  place.classList.toggle("stale", stale);
}

// The middle of the range on this device's clock, where that is another than the house's.
function tellHere() {
  const middle = Number(head()?.dataset.middle);
  const under = head()?.querySelector(".under");
  if (!middle || !under || under.querySelector(".here")) return;
  const lang = document.documentElement.lang;
  const day = (timeZone) => new Intl.DateTimeFormat(lang, { timeZone, weekday: "short" }).format(middle);
  const hours = document.documentElement.dataset.clock === "12" ? { hourCycle: "h12", hour: "numeric" } : { hourCycle: "h23", hour: "2-digit" };
  const clock = (timeZone) => new Intl.DateTimeFormat(lang, { timeZone, ...hours, minute: "2-digit" }).format(middle).toLowerCase();
  const { zone } = head().dataset;
  if (clock() === clock(zone) && day() === day(zone)) return;
  const here = day() === day(zone) ? clock() : `${day()} ${clock()}`;
  const place = document.createElement("span");
  place.className = "here";
  place.textContent = fill(words().here, { time: here });
  under.insertBefore(place, document.getElementById("age"));
  under.insertBefore(document.createTextNode(" "), document.getElementById("age"));
}

function tellOffline(cut) {
  const place = document.getElementById("offline");
  if (!place) return;
  const heard = Number(head()?.dataset.made);
  place.hidden = !cut;
  if (!cut || !heard) return;
  const w = words();
  const seconds = Math.max(0, (Date.now() - offset - heard) / 1000);
  const said = fill(w.cut, { ago: fill(w.ago, { span: span(seconds, w) }) });
  if (place.textContent !== said) place.textContent = said;
}

// a kept page of alarms says its age: nothing on it is drawn anew
function tellKept() {
  const kept = Number(document.documentElement.dataset.kept);
  const place = document.getElementById("offline");
  const w = words();
  if (!kept || !place || !w.cut || !document.getElementById("alarm-cards")) return;
  const seconds = Math.max(0, (Date.now() - kept) / 1000);
  place.textContent = fill(w.cut, { ago: fill(w.ago, { span: span(seconds, w) }) });
  place.hidden = false;
  setTimeout(tellKept, MINUTE);
}
tellKept();

let cut = Boolean(document.documentElement.dataset.kept);
let drawing = false;
let lastDrawn = Date.now();
let waiting = 0;
let pressed = new URLSearchParams(location.search).get("asked"); // the alarm whose button was pressed here

async function draw() {
  waiting = 0;
  if (drawing || document.body.classList.contains("dragging")) return stir();
  drawing = true;
  const asked = new URLSearchParams(location.search);
  const query = new URLSearchParams();
  for (const key of ["until", "as"]) if (asked.get(key)) query.set(key, asked.get(key));
  if (pressed) query.set("asked", pressed);
  try {
    const answer = await fetch(`/sites/${head().dataset.site}/now?${query}`, { headers: { accept: "text/html" } });
    if (answer.status === 200 && !answer.redirected) {
      place(new DOMParser().parseFromString(await answer.text(), "text/html"));
      cut = false;
    }
  } catch {
    cut = true;
  }
  drawing = false;
  lastDrawn = Date.now();
  tellOffline(cut);
  tellAge();
}

function place(fresh) {
  const active = document.activeElement;
  const back = active?.closest(".marker") ? ".marker" : active?.id ? `#${CSS.escape(active.id)}` : null;
  const open = [...document.querySelectorAll("#live-strip details[open]")].length > 0;
  for (const id of ["live-head", "live-strip", "live-rest"]) {
    const part = fresh.getElementById(id);
    if (part && !document.querySelector(`#${id} form:focus-within`))
      document.getElementById(id).replaceWith(document.importNode(part, true));
  }
  delete document.documentElement.dataset.kept;
  learnOffset();
  tellHere();
  if (open) document.querySelector("#live-strip details")?.setAttribute("open", "");
  document.dispatchEvent(new CustomEvent("redrawn", { detail: back }));
}

function stir() {
  if (waiting) return;
  waiting = setTimeout(draw, Math.max(0, SETTLE - (Date.now() - lastDrawn)));
}

function listen() {
  const stream = new EventSource(`/api/v1/stream?site=${encodeURIComponent(head().dataset.site)}`);
  stream.addEventListener("forecast", stir);
  stream.addEventListener("alarm", stir);
  stream.addEventListener("open", () => { if (cut) stir(); cut = false; tellOffline(false); });
  stream.addEventListener("error", () => {
    cut = true;
    tellOffline(true);
    if (stream.readyState === EventSource.CLOSED) setTimeout(listen, 15_000);
  });
  addEventListener("pagehide", () => stream.close(), { once: true });
}

// A pressed Acknowledge is sent without leaving the page, and looked after until the forecaster has taken it up.
async function acknowledge(event) {
  const form = event.target.closest("form[data-alarm]");
  if (!form || !head()) return;
  event.preventDefault();
  const button = form.querySelector("button");
  button.disabled = true;
  form.parentNode.querySelector(".unsent")?.remove();
  let taken = false;
  try {
    const answer = await fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)), redirect: "manual" });
    taken = answer.type === "opaqueredirect";
  } catch {
    button.disabled = false;
    const said = Object.assign(document.createElement("p"), { className: "did unsent", textContent: words().unsent });
    said.setAttribute("role", "alert");
    form.after(said);
    return;
  }
  if (!taken) {
    button.disabled = false;
    form.submit(); // the browser's own way says what is wrong
    return;
  }
  pressed = form.dataset.alarm;
  document.activeElement?.blur();
  await draw();
  document.querySelector("#act .did")?.focus();
  follow(TRIES);
}

const TRIES = 60;

function follow(tries) {
  if (!document.querySelector("#act[data-asked]") || tries <= 0) {
    pressed = null;
    return;
  }
  setTimeout(async () => { await draw(); follow(tries - 1); }, 1_000);
}

if (head()) {
  addEventListener("submit", acknowledge);
  if (pressed) follow(TRIES);
  learnOffset();
  tellAge();
  tellHere();
  tellOffline(cut);
  setInterval(() => { tellAge(); if (cut) tellOffline(true); }, 1_000);
  setInterval(() => { if (Date.now() - lastDrawn >= MINUTE / 2) stir(); }, MINUTE);
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) stir(); });
  listen();
}

// -- the list of all sites: ages tick, what changes is drawn anew, the search is kept in the address

const fleet = () => document.getElementById("fleet-live");
const FLEET_SETTLE = 1_000;

function tellFleet() {
  const w = words();
  for (const place of fleet().querySelectorAll("[data-heard]")) {
    const seconds = Math.max(0, (Date.now() - offset - Number(place.dataset.heard)) / 1000);
    const said = seconds < 2 ? w.now : fill(w.ago, { span: span(seconds, w) });
    if (place.textContent !== said) place.textContent = said;
  }
  const place = document.getElementById("offline");
  place.hidden = !cut;
  if (!cut) return;
  const seconds = Math.max(0, (Date.now() - offset - Number(fleet().dataset.made)) / 1000);
  place.textContent = fill(w.cut, { ago: fill(w.ago, { span: span(seconds, w) }) });
}

async function drawFleet() {
  waiting = 0;
  if (drawing) return stirFleet();
  drawing = true;
  try {
    const answer = await fetch(`/fleet/now${location.search}`, { headers: { accept: "text/html" } });
    if (answer.status === 200 && !answer.redirected) {
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      const active = fleet().contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
      for (const id of ["fleet-head", "fleet-live"])
        document.getElementById(id).replaceWith(document.importNode(fresh.getElementById(id), true));
      if (active) fleet().querySelector(`a[href="${CSS.escape(active)}"]`)?.focus({ preventScroll: true });
      offset = Date.now() - Number(fleet().dataset.made);
      cut = false;
    }
  } catch {
    cut = true;
  }
  drawing = false;
  lastDrawn = Date.now();
  tellFleet();
}

function stirFleet() {
  if (!waiting) waiting = setTimeout(drawFleet, Math.max(0, FLEET_SETTLE - (Date.now() - lastDrawn)));
}

function listenFleet() {
  const stream = new EventSource("/fleet/changes");
  stream.addEventListener("changed", stirFleet);
  stream.addEventListener("open", () => { if (cut) stirFleet(); });
  stream.addEventListener("error", () => {
    cut = true;
    tellFleet();
    if (stream.readyState === EventSource.CLOSED) setTimeout(listenFleet, 15_000);
  });
  addEventListener("pagehide", () => stream.close(), { once: true });
}

function seek(form) {
  const asked = [...new FormData(form)].filter(([key, value]) => value && !(key === "show" && value === "all"));
  const query = new URLSearchParams(asked).toString();
  history.replaceState(null, "", query ? `/?${query}` : "/");
  stirFleet();
}

if (fleet()) {
  offset = Date.now() - Number(fleet().dataset.made);
  lastDrawn = 0;
  tellFleet();
  setInterval(tellFleet, 1_000);
  setInterval(() => { if (Date.now() - lastDrawn >= MINUTE / 2) stirFleet(); }, MINUTE / 2);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) stirFleet(); });
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  const find = document.getElementById("find");
  find?.addEventListener("input", () => seek(find));
  find?.addEventListener("submit", (event) => { event.preventDefault(); seek(find); });
  listenFleet();
}

document.querySelector(".tabs [aria-current]")?.scrollIntoView({ inline: "center", block: "nearest" });

if ("serviceWorker" in navigator && window.isSecureContext) navigator.serviceWorker.register("/service-worker.js");
