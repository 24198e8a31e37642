// Takes the step forms over: sends them, or puts them into the outbox when the
// network does not answer. A form keeps its command id on every way, so what
// arrived without an answer is recorded once.
import { add, all } from "./store.js";
import { flush, show } from "./outbox.js";
import { forget, picked } from "./photo.js";
import { isKept } from "./kept.js";
import { serverNow } from "./clocks.js";
import { refused } from "./signedout.js";
import { words } from "./words.js";

const patience = 6000; // ms that an answer may take
const waitingMax = 200; // entries in the outbox

// paths of the API, by the form's action.
const paths = { accept: "accept", return: "return", start: "start", advance: "advance", done: "finish", failed: "finish", problem: "problem" };

export function forms() {
  document.addEventListener("submit", (event) => {
    const form = event.target;
    const card = form.closest("[data-card]");
    const action = new URL(form.action).pathname.match(/^\/do\/([a-z-]+)$/)?.[1];
    if (!card || !(action in paths)) return;
    event.preventDefault();
    if (form.dataset.busy) return; // a second tap
    form.dataset.busy = "yes";
    event.submitter?.setAttribute("aria-busy", "true");
    record(form, card, action, event.submitter).finally(() => {
      delete form.dataset.busy;
      event.submitter?.removeAttribute("aria-busy");
    });
  });
}

async function record(form, card, action, button) {
  const data = new FormData(form);
  const photos = picked(form);
  for (const name of new Set([...data.keys()])) if (name.startsWith("photo.")) data.delete(name);
  for (const { name, blob } of photos) data.append(name, blob, "photo.jpg");
  let waiting;
  try {
    waiting = await all();
  } catch {
    form.submit(); // this browser keeps nothing: the plain way
    return;
  }
  // What waits goes first. Somebody unknown has to be asked by the server.
  const queued = waiting.length > 0 || isKept() || navigator.onLine === false;
  form.querySelector(".form-says")?.remove();
  if (!queued || !actorOf(data)) {
    try {
      await online(form, data);
      return;
    } catch {
      if (!actorOf(data)) return complain(form, words.nobody);
    }
  }
  if (!actorOf(data)) return complain(form, words.nobody);
  if (waiting.length >= waitingMax) return complain(form, words.noRoom);
  try {
    await add(entry(form, card, action, button, data, photos));
  } catch {
    return complain(form, words.noRoom); // the browser gives no more room
  }
  if (action === "problem") {
    form.reset();
    forget(form);
    form.closest("details")?.removeAttribute("open");
  }
  form.elements.command_id.value = newID(); // the next press is another command
  await show();
  flush();
}

// complain says under the form why it was not taken; all that was typed stays.
function complain(form, text) {
  const says = form.querySelector(".form-says") ?? document.createElement("p");
  says.className = "form-says";
  says.setAttribute("role", "alert");
  says.textContent = text;
  form.append(says);
}

// online sends the form and shows the answer: the page it leads to, or the
// refusal. It throws if there is no answer.
async function online(form, data) {
  const response = await fetch(form.action, { method: "POST", body: data, redirect: "manual", signal: AbortSignal.timeout(patience) });
  if (response.type === "opaqueredirect") {
    location.replace(form.elements.back.value || location.pathname);
    return;
  }
  if (refused(response)) throw new Error("signed out"); // into the outbox
  const page = new DOMParser().parseFromString(await response.text(), "text/html");
  const main = page.getElementById("content");
  if (!main) throw new Error("no page");
  document.getElementById("content").replaceChildren(...document.adoptNode(main).childNodes);
  document.querySelector("[data-focus]")?.focus();
  document.dispatchEvent(new CustomEvent("renewed"));
}

const actorOf = (data) => data.get("technician") || words.me || data.get("actor");

// A bench's screen belongs to nobody: who does it says so in the form.
function entry(form, card, action, button, data, photos) {
  const text = (name) => data.get(name)?.trim() || undefined;
  const body = { command_id: data.get("command_id"), at: new Date(serverNow()).toISOString(), actor: data.get("bench") ? actorOf(data) : words.me || actorOf(data) };
  if (["accept", "start", "done", "failed"].includes(action)) body.technician = data.get("technician") || actorOf(data);
  if (["accept", "start"].includes(action)) body.resources = data.getAll("resource").filter(Boolean);
  if (["start", "done", "failed"].includes(action) && data.get("bench")) body.bench = data.get("bench");
  if (["return", "failed", "problem"].includes(action)) body.reason = text("reason");
  if (action === "failed") body.failed = true;
  if (action === "advance") Object.assign(body, { stretch: Number(data.get("stretch")), technician: data.get("technician") || undefined });
  if (["start", "done", "failed", "problem"].includes(action)) body.evidence = evidence(form, data);
  const { unit, step } = card.dataset;
  return {
    unit, step, action, body, photos, at: body.at, state: "waiting", revision: Number(card.dataset.revision),
    path: `/api/v1/units/${encodeURIComponent(unit)}/steps/${encodeURIComponent(step)}/${paths[action]}`,
    label: `${unit}, ${card.dataset.name}: ${button?.textContent.trim() || action}`,
    stretch: action === "start" ? 0 : action === "advance" ? body.stretch : undefined,
  };
}

// evidence reads the fields ev.<key>; a number may be written with a comma.
function evidence(form, data) {
  const out = {};
  for (const name of new Set(data.keys())) {
    if (!name.startsWith("ev.")) continue;
    const values = data.getAll(name).map((v) => v.trim()).filter(Boolean);
    if (values.length === 0) continue;
    let value = values.join(" ");
    const field = form.elements[name];
    if (field?.inputMode === "decimal" && !value.includes(".")) value = value.replace(/^([^,]*),([^,]*)$/, "$1.$2");
    // The log has kilometres; a mile is 1,609.344 m exactly.
    if (data.get(`in.${name.slice(3)}`) === "mi" && value && !Number.isNaN(Number(value))) value = (Number(value) * 1.609344).toFixed(1);
    out[name.slice(3)] = value;
  }
  return Object.keys(out).length ? out : undefined;
}

// newID makes a command's id also where randomUUID is kept for secure pages.
export function newID() {
  if (crypto.randomUUID) return crypto.randomUUID();
  return [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
}
