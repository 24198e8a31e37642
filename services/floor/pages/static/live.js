// Listens to /events and renews the parts of the page that are marked
// data-live, without touching what somebody is typing.
import { morph } from "./morph.js";
import { setServerTime } from "./clocks.js";
import { refused } from "./signedout.js";

const quiet = 150; // ms between two renewals, but for the first
const patience = 20000; // ms that a page may take
let waiting = 0;
let begun = -quiet; // when the last one began
let running = false;
let again = false;

export function listen() {
  const source = new EventSource("/events");
  const stale = document.getElementById("stale");
  let lost = 0;
  source.addEventListener("open", () => {
    clearTimeout(lost);
    lost = 0;
    stale.hidden = true;
  });
  source.addEventListener("error", () => {
    // The browser comes back by itself, unless it was shut out; say so if that
    // takes a while.
    if (source.readyState === EventSource.CLOSED) soon();
    if (!lost) lost = setTimeout(() => (stale.hidden = false), 4000);
  });
  for (const kind of ["units", "plan", "alerts", "studies"]) source.addEventListener(kind, soon);
  source.addEventListener("hello", (event) => {
    if (JSON.parse(event.data).resumed) soon();
  });
  // Alarms come with time, not with news.
  setInterval(soon, 30000);
  document.addEventListener("visibilitychange", () => document.hidden || soon());
  window.addEventListener("pagehide", () => source.close());
}

function soon() {
  clearTimeout(waiting);
  waiting = setTimeout(renew, performance.now() - begun > quiet ? 0 : quiet);
}

// renew fetches the page and takes its newer parts over.
export async function renew() {
  if (running) {
    again = true;
    return;
  }
  running = true;
  begun = performance.now();
  try {
    const answer = await fetch(document.body.dataset.here, { headers: { "Tickover-Refresh": "1" }, signal: AbortSignal.timeout(patience) });
    if (answer.status === 404) return location.reload(); // it is gone: say so, and ask no more
    if (refused(answer) || !answer.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    setServerTime(fresh.body.dataset.now);
    for (const part of document.querySelectorAll("[data-live]")) {
      if (part.parentElement.closest("[data-live]")) continue;
      const next = fresh.getElementById(part.id);
      if (next) morph(part, next);
    }
    document.dispatchEvent(new CustomEvent("renewed"));
  } catch {
    // The next event tries again.
  } finally {
    running = false;
    if (again) {
      again = false;
      soon();
    }
  }
}
