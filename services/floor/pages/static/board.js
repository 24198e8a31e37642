// The board beyond its links and forms: a decision opens over the board, shows
// what it would do, and is confirmed or dropped. Blocks are moved in
// board-move.js. With scripting off the same links and forms lead to pages.
import { moving } from "./board-move.js";

const dialog = document.getElementById("ask");
const body = document.getElementById("ask-body");
const title = document.getElementById("ask-title");
const says = document.getElementById("board-says");
export const words = document.getElementById("board-words")?.dataset ?? {};
const focusKey = "tickover-board-focus";
let cameFrom = null;

export function say(text) {
  if (says) says.textContent = text;
}

if (dialog) {
  document.addEventListener("click", clicked);
  document.addEventListener("submit", submitted);
  dialog.addEventListener("close", () => {
    body.replaceChildren();
    const back = cameFrom?.isConnected ? cameFrom : cameFrom?.id && document.getElementById(cameFrom.id);
    back?.focus();
  });
  moving({ preview, open });
  comeBack();
}

function clicked(event) {
  if (event.defaultPrevented || event.button || event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
  if (event.target.closest("[data-shut]") && dialog.open) {
    event.preventDefault();
    dialog.close();
    return;
  }
  const link = event.target.closest("a[data-decide]");
  if (!link) return;
  event.preventDefault();
  open(link.getAttribute("href"), link);
}

// open shows a page to decide on over this one.
export async function open(href, from) {
  cameFrom = from ?? document.activeElement;
  await load(fetch(href, { headers: { "Tickover-Refresh": "1" } }));
}

async function submitted(event) {
  const form = event.target;
  if (event.defaultPrevented && !event.submitter?.hasAttribute("aria-busy")) return;
  if (form.id === "confirm") {
    const block = cameFrom?.closest?.("a.block");
    if (block) sessionStorage.setItem(focusKey, JSON.stringify({ unit: block.dataset.unit, step: block.dataset.step, lane: block.closest(".lane").dataset.lane }));
    return;
  }
  if (form.getAttribute("action") !== "/preview" || event.defaultPrevented) return;
  event.preventDefault();
  if (!dialog.open) cameFrom = event.submitter;
  await load(fetch("/preview", { method: "POST", body: new URLSearchParams(new FormData(form)) }));
  event.submitter?.removeAttribute("aria-busy");
}

// preview asks what a decision would do.
export async function preview(values, from) {
  cameFrom = from ?? document.activeElement;
  await load(fetch("/preview", { method: "POST", body: new URLSearchParams({ back: document.body.dataset.here, form_page: document.body.dataset.here, ...values }) }));
}

async function load(answer) {
  try {
    const page = new DOMParser().parseFromString(await (await answer).text(), "text/html");
    const shown = page.getElementById("preview") ?? page.getElementById("decide");
    const refusal = page.querySelector(".refusal");
    const parts = [refusal, shown ?? (refusal ? null : page.getElementById("content"))].filter(Boolean).map((part) => document.importNode(part, true));
    body.replaceChildren(...parts);
    title.textContent = shown?.dataset.title ?? page.title;
    if (!dialog.open) dialog.showModal();
    dialog.scrollTop = 0;
    (body.querySelector("[data-focus]") ?? body.querySelector("[data-first]") ?? body.querySelector("input:not([type=hidden]), select, button, a"))?.focus();
    say(refusal ? refusal.innerText : page.getElementById("preview") ? `${words.shown} ${page.querySelector(".preview-sum").textContent.replace(/\s+/g, " ")}` : "");
  } catch {
    say(words.failed);
    title.textContent = words.failed;
    body.replaceChildren();
    if (!dialog.open) dialog.showModal();
  }
}

// comeBack puts the focus on the block that was decided about.
function comeBack() {
  const kept = sessionStorage.getItem(focusKey);
  if (!kept) return;
  sessionStorage.removeItem(focusKey);
  const { unit, step, lane } = JSON.parse(kept);
  const blocks = [...document.querySelectorAll("a.block")].filter((b) => b.dataset.unit === unit && b.dataset.step === step);
  (blocks.find((b) => b.closest(".lane").dataset.lane === lane) ?? blocks[0])?.focus();
  const said = document.querySelector(".notice.said");
  if (said) say(said.innerText);
}
