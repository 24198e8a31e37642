// Shows on the cards what waits to be sent: a step that was started without a
// network looks started, with its timer. The page brings what a card becomes in
// <template> elements, made by the server in the same way as the card.
import { serverNow } from "./clocks.js";
import { newID } from "./send.js";
import { words } from "./words.js";

const ends = new Set(["done", "failed", "return"]);

export function effects(list) {
  for (const card of document.querySelectorAll("[data-card]")) {
    const own = list.filter((e) => e.unit === card.dataset.unit && e.step === card.dataset.step);
    const moves = own.filter((e) => e.action !== "problem");
    const last = moves.at(-1);
    mark(card, own, last);
    if (!last) unblock(card, list);
    else if (ends.has(last.action) || own.some((e) => e.state === "refused")) settle(card, last);
    else if (last.stretch !== undefined) run(card, last);
  }
}

function mark(card, own, last) {
  const note = card.querySelector(".pending");
  if (!note) return;
  note.hidden = own.length === 0;
  card.classList.toggle("is-pending", own.length > 0);
  if (own.length === 0) return;
  const refused = own.some((e) => e.state === "refused");
  note.classList.toggle("stopped", refused);
  note.querySelector("span").textContent = refused ? words.stopped : last && ends.has(last.action) ? words.done : words.running;
}

// once tells whether the card shows this already.
function once(card, key) {
  if (card.dataset.effect === key) return false;
  card.dataset.effect = key;
  return true;
}

function settle(card, last) {
  if (!once(card, `over-${last.n}`)) return;
  for (const form of card.querySelectorAll(".card-body form, .card-body details, .card-body .timer")) form.remove();
}

function run(card, entry) {
  const template = card.querySelector(`template[data-stretch="${entry.stretch}"]`);
  if (!template || !once(card, `run-${entry.n}`)) return;
  fill(card.querySelector(".card-body"), template);
  card.classList.add("running");
  const timer = card.querySelector(".timer");
  const begun = Date.parse(entry.at);
  const end = begun + 1000 * Number(template.dataset.seconds);
  timer.dataset.timer = new Date(end).toISOString();
  if (timer.dataset.callAt) timer.dataset.callAt = new Date(end - 1000 * Number(template.dataset.call)).toISOString();
  timer.querySelector(".says").textContent = ""; // it was reckoned from the page's own time
  timer.classList.toggle("over", end < serverNow());
}

// unblock shows the start of a step when all that it waits for is done on this
// phone.
function unblock(card, list) {
  const template = card.querySelector("template[data-after]");
  if (!template) return;
  const done = (step) => list.some((e) => e.unit === card.dataset.unit && e.step === step && e.action === "done" && e.state === "waiting");
  if (!template.dataset.after.split(" ").every(done) || !once(card, "unblocked")) return;
  const place = document.createElement("div");
  fill(place, template);
  template.before(place);
  card.querySelector("[data-blocked]")?.remove();
}

// fill puts a template's content in place; its forms are new commands.
function fill(place, template) {
  const content = document.importNode(template.content, true);
  for (const field of content.querySelectorAll('[name="command_id"]')) field.value = newID();
  place.replaceChildren(content);
}
