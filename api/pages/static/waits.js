// A page that waits for something asks again, quietly: what has come takes its place, and nothing is loaded anew.
const EVERY = 3_000;

async function again() {
  let waits = true;
  try {
    const answer = await fetch(location.href, { headers: { accept: "text/html" } });
    if (answer.redirected) {
      location.assign(answer.url);
      return;
    }
    const here = document.getElementById("content");
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("content");
    if (fresh && here.textContent !== fresh.textContent) here.replaceChildren(...fresh.childNodes);
    waits = !fresh || document.querySelector("[data-waits]") !== null;
  } catch (fault) {
    console.debug("not reached just now", fault);
  }
  if (waits) setTimeout(again, EVERY);
}

setTimeout(again, EVERY);
