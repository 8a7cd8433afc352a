// Set-up: what is heard follows beside each field, and what is typed is kept by the server as it is typed.

const form = document.getElementById("setup-form");
const POLL = 2_000;
const SETTLE = 1_200;
const lines = () => document.querySelectorAll(".offer-line");
const key = (topic, path) => JSON.stringify([topic, path]);

function tell(place, said) {
  if (place && place.textContent !== said) place.textContent = said;
}

function show(heard) {
  const now = new Map(heard.lines.map((line) => [key(line.topic, line.path), line]));
  for (const row of lines()) {
    const line = now.get(key(row.dataset.topic, row.dataset.path));
    if (!line) continue;
    tell(row.querySelector(".values"), line.values);
    tell(row.querySelector(".age"), line.age);
    tell(row.querySelector(".hint"), line.hint);
    const stored = row.querySelector(".stored");
    stored.hidden = !line.stored;
    tell(stored, line.stored ? form.dataset.stored.replace("{value}", line.stored) : "");
  }
  tell(document.getElementById("unseen"), heard.more);
  const listening = document.getElementById("listening");
  if (listening) listening.hidden = !heard.listening;
}

async function follow() {
  if (!document.hidden) {
    try {
      const answer = await fetch("/setup/live", { headers: { accept: "application/json" } });
      if (answer.status === 200 && !answer.redirected) {
        const heard = await answer.json();
        show(heard);
        if (!heard.listening) return;
      }
    } catch {
      // the next look says more
    }
  }
  setTimeout(follow, POLL);
}

let waiting = 0;
let sending = Promise.resolve();

function keep() {
  waiting = 0;
  const body = new URLSearchParams(new FormData(form));
  sending = sending.then(() => fetch("/setup/keep", { method: "POST", body, keepalive: body.toString().length < 60_000 }))
    .then((answer) => { tell(document.getElementById("unkept"), answer.status === 204 ? "" : form.dataset.unkept); })
    .catch(() => tell(document.getElementById("unkept"), form.dataset.unkept));
}

function soon() {
  clearTimeout(waiting);
  waiting = setTimeout(keep, SETTLE);
}

form.addEventListener("input", soon);
form.addEventListener("change", soon);
document.addEventListener("visibilitychange", () => {
  if (document.hidden && waiting) {
    clearTimeout(waiting);
    keep();
  }
});
form.addEventListener("submit", (event) => {
  clearTimeout(waiting);
  waiting = 0; // what is sent is kept by that, and a written site ends the draft
  if (event.submitter?.getAttribute("formaction") !== "/setup/listen") return;
  const quick = document.createElement("input");
  Object.assign(quick, { type: "hidden", name: "quick", value: "yes" });
  form.append(quick);
});
if (form.dataset.listening) follow();
