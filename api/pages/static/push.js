// Alarms on this device, and keeping the page as an app; both shown only where the browser can.

const place = document.getElementById("device");
const words = place && JSON.parse(place.dataset.words);
const button = document.getElementById("push-toggle");
const state = document.getElementById("push-state");
const install = document.getElementById("install");

const bytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0));

function unmasked(hex) {
  const whole = hex.match(/../g).map((pair) => parseInt(pair, 16));
  const half = whole.length / 2;
  return whole.slice(0, half).map((byte, i) => (byte ^ whole[half + i]).toString(16).padStart(2, "0")).join("");
}

const headers = () => ({ "content-type": "application/json", "x-csrf-token": unmasked(place.dataset.token) });

// A browser has one subscription, and may be told of several sites: the server's id of each is kept here.
const PREFIX = "push-id-";
const keyOfSite = () => PREFIX + place.dataset.site;
const told = () => Object.keys(localStorage).filter((key) => key.startsWith(PREFIX));

async function subscribe(registration) {
  const answer = await fetch("/api/v1/push/key");
  if (!answer.ok) throw new Error(words.failed);
  const { key } = await answer.json();
  const made = await registration.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: bytes(key) });
  const body = JSON.stringify({ ...made.toJSON(), site: place.dataset.site, label: "" });
  const kept = await fetch("/api/v1/push/subscriptions", { method: "POST", headers: headers(), body });
  if (!kept.ok) {
    if (!told().length) await made.unsubscribe();
    throw new Error(words.failed);
  }
  localStorage.setItem(keyOfSite(), (await kept.json()).id);
}

async function unsubscribe(held) {
  const id = localStorage.getItem(keyOfSite());
  const gone = await fetch(`/api/v1/push/subscriptions/${id}`, { method: "DELETE", headers: headers() });
  if (!gone.ok && gone.status !== 404) throw new Error(words.failed);
  localStorage.removeItem(keyOfSite());
  if (!told().length) await held.unsubscribe();
}

async function subscription(registration) {
  return localStorage.getItem(keyOfSite()) ? registration.pushManager.getSubscription() : null;
}

async function show(registration) {
  const held = await subscription(registration);
  button.textContent = held ? words.off : words.on;
  button.dataset.held = held ? "yes" : "no";
  document.getElementById("push-test").hidden = !held;
}

async function begin() {
  const registration = await navigator.serviceWorker.ready;
  if (!registration.pushManager) return;
  button.hidden = false;
  await show(registration);
  button.addEventListener("click", async () => {
    state.textContent = "";
    try {
      const held = await subscription(registration);
      await (held ? unsubscribe(held) : subscribe(registration));
      state.textContent = held ? words.gone : words.done;
    } catch (error) {
      state.textContent = error.name === "NotAllowedError" ? words.denied : words.failed;
    }
    await show(registration);
  });
}

if (place && "serviceWorker" in navigator && window.isSecureContext) {
  place.hidden = false;
  begin();
  addEventListener("beforeinstallprompt", (event) => {
    event.preventDefault();
    install.hidden = false;
    install.addEventListener("click", () => event.prompt(), { once: true });
  });
}
