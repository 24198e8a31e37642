// Sends what waits in the outbox: once, in order, as soon as the network is
// there. A refusal stops what follows for that unit, and nothing else; the
// person decides whether to try again or to drop it.
import { all, put, remove } from "./store.js";
import { wallClock } from "./clocks.js";
import { effects } from "./effects.js";
import { renew } from "./live.js";
import { refused } from "./signedout.js";
import { words } from "./words.js";

const patience = 20000; // ms that an answer may take
const photoPatience = 55000; // a photo over a slow network; the server waits for a minute
const pauseMin = 2000;
const pauseMax = 60000; // between two tries

let pause = pauseMin;
let timer = 0;
let sending = false;

export function outbox() {
  document.addEventListener("renewed", () => show().then(() => flush()));
  window.addEventListener("online", () => flush(true));
  document.addEventListener("visibilitychange", () => document.hidden || flush(true));
  document.getElementById("content").addEventListener("click", decide);
  show().then(() => flush());
}

// flush sends what can be sent. One page at a time does it, if the browser
// knows how; if not, the command ids keep a repeat harmless.
export async function flush(soon) {
  if (soon) pause = pauseMin;
  if (sending) return;
  sending = true;
  clearTimeout(timer);
  try {
    const work = async () => (await sendAll()) || again();
    await (navigator.locks ? navigator.locks.request("tickover-outbox", work) : work());
  } catch {
    again();
  } finally {
    sending = false;
  }
}

// again tries later: 2 s, 4 s, … at most a minute, a little spread.
function again() {
  clearTimeout(timer);
  timer = setTimeout(() => flush(), pause * (0.8 + 0.4 * Math.random()));
  pause = Math.min(pauseMax, pause * 2);
}

// sendAll returns false when the network gave way.
async function sendAll() {
  const done = new Set(); // what was looked at
  const full = new Set(); // units whose photos the server has no room for now
  let sent = 0;
  try {
    for (;;) {
      const list = await all();
      const stopped = new Set(list.filter((e) => e.state === "refused").map((e) => e.unit));
      const entry = list.find((e) => !done.has(e.n) && e.state === "waiting" && !stopped.has(e.unit) && !full.has(e.unit));
      if (!entry) break;
      done.add(entry.n);
      let problem;
      try {
        problem = await send(entry);
      } catch (error) {
        if (!error.photo) throw error;
        full.add(entry.unit); // the others go on
        continue;
      }
      if (problem) await put({ ...entry, state: "refused", problem });
      else await remove(entry.n), sent++;
      await show();
    }
  } catch {
    return false;
  }
  pause = pauseMin;
  if (sent > 0) renew();
  return full.size === 0;
}

// send returns what the server has against it; undefined: it is recorded. It
// throws if nobody answers, or the answer is to try again.
async function send(entry) {
  const body = structuredClone(entry.body);
  for (const { name, blob } of entry.photos ?? []) {
    const answer = await ask("/api/v1/photos", blob, blob.type, photoPatience).catch((error) => {
      throw Object.assign(error, { photo: error.status === 503 });
    });
    if (answer.problem) return answer.problem;
    const key = name.replace("photo.", "");
    body.evidence ??= {};
    const list = new Set((body.evidence[key] ?? "").split(" ").filter(Boolean));
    body.evidence[key] = [...list.add(answer.sha256)].join(" ");
  }
  const answer = await ask(entry.path, JSON.stringify(body), "application/json");
  if (answer.problem) answer.problem.meanwhile = await meanwhile(entry);
  return answer.problem;
}

async function ask(path, body, type, limit = patience) {
  const response = await fetch(path, { method: "POST", body, headers: { "Content-Type": type }, signal: AbortSignal.timeout(limit) });
  if (refused(response)) throw new Error("signed out"); // kept until somebody signs in
  if ([429, 502, 503, 504].includes(response.status)) throw Object.assign(new Error(`try again: ${response.status}`), { status: response.status });
  const answer = await response.json();
  if (response.ok) return answer;
  return { problem: { code: answer.code, what: answer.what ?? answer.detail ?? answer.title, do: answer.do ?? "" } };
}

async function meanwhile(entry) {
  try {
    const query = new URLSearchParams({ since: entry.revision, person: entry.body.actor });
    const response = await fetch(`/units/${encodeURIComponent(entry.unit)}/meanwhile?${query}`, { signal: AbortSignal.timeout(patience) });
    return response.ok ? (await response.text()).split("\n").filter(Boolean) : [];
  } catch {
    return [];
  }
}

// show draws the outbox and what it means for the cards.
export async function show() {
  const list = await all();
  const box = document.getElementById("outbox");
  const stopped = new Set();
  box.hidden = list.length === 0;
  box.querySelector("summary span").textContent = `${words.waiting}: ${list.length}`;
  box.querySelector("ul").replaceChildren(
    ...list.map((entry) => {
      const line = row(entry, stopped.has(entry.unit));
      if (entry.state === "refused") stopped.add(entry.unit);
      return line;
    }),
  );
  if (stopped.size > 0) box.open = true;
  effects(list);
}

function row(entry, held) {
  const li = document.createElement("li");
  const add = (tag, text, className) => {
    const element = document.createElement(tag);
    element.textContent = text;
    if (className) element.className = className;
    li.append(element);
    return element;
  };
  add("strong", `${entry.label} (${wallClock(Date.parse(entry.at))})`);
  if (entry.state !== "refused") {
    if (held) add("p", words.held);
    return li;
  }
  li.className = "refused";
  add("p", `${words.refused}.`, "what").setAttribute("role", "alert");
  add("p", `${sentence(entry.problem.what)} ${entry.problem.do}`);
  if (entry.problem.meanwhile?.length) add("p", `${words.meanwhile} ${entry.problem.meanwhile.join(" ")}`, "meanwhile");
  for (const what of ["retry", "drop"]) {
    const button = add("button", words[what]);
    button.type = "button";
    button.dataset.decide = what;
    button.dataset.n = entry.n;
  }
  return li;
}

const sentence = (clause) => clause.charAt(0).toUpperCase() + clause.slice(1) + (/[.?…]$/.test(clause) ? "" : ".");

// decide is what the person wants with what was refused.
async function decide(event) {
  const button = event.target.closest("[data-decide]");
  if (!button) return;
  const n = Number(button.dataset.n);
  const list = await all();
  const entry = list.find((e) => e.n === n);
  if (entry && button.dataset.decide === "retry") await put({ ...entry, state: "waiting", problem: undefined });
  if (entry && button.dataset.decide === "drop") {
    // What followed on this step was meant to follow it: a "done" must not end
    // what somebody else began.
    // The last goes first: at no moment is it the first that waits.
    for (const e of list.toReversed()) if (e.n >= n && e.unit === entry.unit && e.step === entry.step) await remove(e.n);
  }
  await show();
  await flush(true);
  renew();
}
