// The marker on the strip: dragged by hand, moved by keys, read out in words; the form and the address follow it.

const strip = () => document.getElementById("live-strip");
const MINUTE = 60_000;
const STEP = 5 * MINUTE;
let words, survival, at, meaning, zone;

function read() {
  const place = strip();
  words = JSON.parse(document.getElementById("words").dataset.words);
  survival = JSON.parse(place.dataset.survival);
  at = Number(place.dataset.at);
  meaning = place.dataset.meaning;
  zone = place.dataset.zone;
}

const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, key) => values[key] ?? "");

function chanceAt(moment) {
  if (moment <= survival[0][0]) return survival[0][1];
  for (let i = 1; i < survival.length; i += 1) {
    const [before, high] = survival[i - 1];
    const [after, low] = survival[i];
    if (moment <= after) return high + ((moment - before) / (after - before)) * (low - high);
  }
  const [last, left] = survival.at(-1);
  return moment === last || left <= 0 ? left : null;
}

function chanceWords(chance) {
  if (chance === null) return words.unknown;
  const percent = Math.round(chance * 100);
  if (percent >= 100) return words.sure;
  if (percent <= 0) return words.none;
  return fill(words.says, { chance: percent });
}

const parts = (moment) => Object.fromEntries(
  new Intl.DateTimeFormat(document.documentElement.lang, { timeZone: zone, hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit",
    hour: "2-digit", minute: "2-digit", weekday: "short" }).formatToParts(moment).map((p) => [p.type, p.value]));

function clockWords(moment) {
  const then = parts(moment);
  const today = parts(Number(document.getElementById("live-head").dataset.made));
  const half = { timeZone: zone, hour: "numeric", minute: "2-digit", hourCycle: "h12" };
  const clock = document.documentElement.dataset.clock === "12"
    ? new Intl.DateTimeFormat(document.documentElement.lang, half).format(moment).toLowerCase() : `${then.hour}:${then.minute}`;
  return then.day === today.day && then.month === today.month ? clock : `${then.weekday} ${clock}`;
}

function field(moment) {
  const p = parts(moment);
  return `${p.year}-${p.month}-${p.day}T${p.hour}:${p.minute}`;
}

function show(moment, { settle = false } = {}) {
  at = moment;
  const name = fill(words.name, { what: words[meaning], time: clockWords(at) });
  const says = chanceWords(chanceAt(at));
  for (const svg of strip().querySelectorAll("svg.strip")) place(svg, name, says);
  document.getElementById("readout").textContent = fill(words.line, { name, chance: says });
  const form = document.getElementById("asking");
  form.elements.until.value = field(at);
  if (settle) {
    const query = new URLSearchParams(location.search);
    query.set("until", field(at));
    query.set("as", meaning);
    history.replaceState(null, "", `${location.pathname}?${query}`);
  }
}

function scale(svg) {
  const { start, end, head, tail } = svg.dataset;
  return { start: Number(start), end: Number(end), head: Number(head), tail: Number(tail) };
}

function place(svg, name, says) {
  const marker = svg.querySelector(".marker");
  if (!marker) return;
  const { start, end, head, tail } = scale(svg);
  const along = head + (tail - head) * Math.min(1, Math.max(0, (at - start) / (end - start)));
  const tall = svg.classList.contains("tall");
  marker.setAttribute("transform", tall ? `translate(0 ${along.toFixed(1)})` : `translate(${along.toFixed(1)} 0)`);
  const labels = marker.querySelectorAll("text");
  labels[0].textContent = name;
  labels[1].textContent = says;
  if (!tall) {
    const flip = along > svg.viewBox.baseVal.width * 0.72;
    for (const label of labels) {
      label.setAttribute("x", flip ? "-10" : "10");
      label.setAttribute("text-anchor", flip ? "end" : "start");
    }
  }
  marker.setAttribute("aria-valuenow", String(Math.round(at / 1000)));
  marker.setAttribute("aria-valuetext", `${name} ${says}`);
}

const limits = (svg) => [Number(strip().dataset.now), scale(svg).end];

function momentAt(svg, event) {
  const box = svg.getBoundingClientRect();
  const tall = svg.classList.contains("tall");
  const size = svg.viewBox.baseVal;
  const along = tall ? ((event.clientY - box.top) / box.height) * size.height
    : ((event.clientX - box.left) / box.width) * size.width;
  const { start, end, head, tail } = scale(svg);
  return held(svg, start + ((along - head) / (tail - head)) * (end - start));
}

function held(svg, moment) {
  const [low, high] = limits(svg);
  return Math.round(Math.min(high, Math.max(low, moment)) / STEP) * STEP;
}

const KEYS = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1, PageUp: 12, PageDown: -12 };

function arm(svg) {
  const marker = svg.querySelector(".marker");
  if (!marker) return;
  const [low, high] = limits(svg);
  marker.setAttribute("role", "slider");
  marker.setAttribute("tabindex", "0");
  marker.setAttribute("aria-valuemin", String(Math.round(low / 1000)));
  marker.setAttribute("aria-valuemax", String(Math.round(high / 1000)));
  if (svg.classList.contains("tall")) marker.setAttribute("aria-orientation", "vertical");
  marker.addEventListener("keydown", (event) => {
    if (!(event.key in KEYS) && event.key !== "Home" && event.key !== "End") return;
    event.preventDefault();
    const goal = event.key === "Home" ? low : event.key === "End" ? high : at + KEYS[event.key] * STEP;
    show(held(svg, goal), { settle: true });
  });
  marker.addEventListener("pointerdown", (event) => {
    event.preventDefault();
    marker.focus({ preventScroll: true });
    marker.setPointerCapture(event.pointerId);
    document.body.classList.add("dragging");
  });
  marker.addEventListener("pointermove", (event) => {
    if (marker.hasPointerCapture(event.pointerId)) show(momentAt(svg, event));
  });
  const drop = (event) => {
    if (!document.body.classList.contains("dragging")) return;
    document.body.classList.remove("dragging");
    show(event.type === "pointerup" ? momentAt(svg, event) : at, { settle: true });
  };
  marker.addEventListener("pointerup", drop);
  marker.addEventListener("pointercancel", drop);
  svg.addEventListener("click", (event) => {
    if (!event.target.closest(".marker")) show(momentAt(svg, event), { settle: true });
  });
}

function begin(event) {
  if (!strip()?.dataset.survival) return;
  read();
  for (const svg of strip().querySelectorAll("svg.strip")) arm(svg);
  show(at);
  if (event?.detail === ".marker")
    [...strip().querySelectorAll(".marker")].find((m) => m.getClientRects().length)?.focus({ preventScroll: true });
}

document.addEventListener("redrawn", begin);
document.getElementById("asking")?.elements.as.addEventListener("change", (event) => {
  meaning = event.target.value;
  show(at, { settle: true });
});
begin();
