// Blocks on the chart: from one to another by arrow keys, and moved by mouse,
// finger, pen or keyboard. A finger or pen that rests on a block lifts it, one
// that moves at once scrolls. A move only asks: the preview is what is confirmed
// or dropped.
import { say, words } from "./board.js";
import { wallClock } from "./clocks.js";

const chart = document.getElementById("chart");
const box = document.getElementById("chart-box");
const snap = 5; // minutes
const far = 5; // pixels that make a drag
const slip = 10; // pixels that a resting finger may slip
const rest = 400; // ms that it rests until the block lifts; a browser's own menu comes later
const edge = 56; // pixels at the rim of the chart or window in which it scrolls
const pace = 0.6; // pixels a ms
const mayDecide = chart?.hasAttribute("data-decides"); // who looks is a foreman
const movable = "a.block.planned[data-decide]";
let held = null; // what is being moved
let pressed = null; // where a pointer went down
let lifting = 0; // the timer of a finger that rests
let dragged = false;

export function moving({ preview, open }) {
  if (!chart) return;
  rove();
  new MutationObserver(rove).observe(chart, { subtree: true, childList: true, attributes: true, attributeFilter: ["tabindex", "href"] });
  chart.addEventListener("focusin", (event) => event.target.closest("a.block") && rove(event.target.closest("a.block")));
  chart.addEventListener("dragstart", (event) => event.preventDefault());
  document.addEventListener("pointerdown", press);
  document.addEventListener("pointermove", drag);
  document.addEventListener("pointerup", () => {
    clearTimeout(lifting);
    if (held?.by) drop(preview);
    pressed = null;
  });
  // The browser scrolls instead, or the pen has left.
  document.addEventListener("pointercancel", () => {
    clearTimeout(lifting);
    if (held?.by) letGo();
    pressed = null;
  });
  // A lifted block goes with the finger and the page stays; the browser asks
  // for that when the finger goes down, so the listener is there from the start.
  chart.addEventListener("touchmove", stays, { passive: false });
  chart.addEventListener("contextmenu", (event) => pressed?.touch && event.preventDefault());
  // The click that ends a drag opens nothing.
  document.addEventListener("click", (event) => {
    if (dragged) {
      dragged = false;
      event.preventDefault();
      event.stopPropagation();
    }
  }, true);
  document.addEventListener("keydown", (event) => {
    dragged = false;
    keys(event, { preview, open });
  });
}

function press(event) {
  dragged = false;
  clearTimeout(lifting);
  if (held?.by) return letGo(); // a second finger
  pressed = null;
  const block = event.target.closest(movable);
  if (!block || event.button !== 0 || !event.isPrimary || !chart.contains(block)) return;
  pressed = { block, x: event.clientX, y: event.clientY, at: event, touch: event.pointerType !== "mouse" };
  if (pressed.touch) lifting = setTimeout(lift, rest, event.pointerType);
}

// lift takes up the block that a finger or pen rests on.
function lift(by) {
  if (held) letGo();
  hold(pressed.block, by);
  dragged = true; // and opens nothing when it goes up again
  pressed.block.addEventListener("touchmove", stays, { passive: false }); // also if the board is drawn anew without it
  navigator.vibrate?.(20);
}

function stays(event) {
  if (held?.by && event.cancelable) event.preventDefault();
}

// rove lets Tab stop at one block only; arrows go on from there.
function rove(to) {
  const blocks = [...chart.querySelectorAll("a.block")];
  const one = to instanceof Element ? to : blocks.find((b) => b === document.activeElement) ?? blocks.find((b) => b.getAttribute("tabindex") === "0") ?? blocks.find((b) => b.classList.contains("planned")) ?? blocks[0];
  for (const b of blocks) {
    const want = b === one ? "0" : "-1";
    if (b.getAttribute("tabindex") !== want) b.setAttribute("tabindex", want);
  }
}

function keys(event, { preview, open }) {
  if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]")) return;
  if (event.target.matches("input, select, textarea")) return;
  if (event.key === "Escape" && held) return letGo();
  if (event.key === "?") {
    const help = document.getElementById("keys");
    help.open = !help.open;
    help.querySelector("summary").focus();
    event.preventDefault();
    return;
  }
  const block = event.target.closest?.("a.block");
  if (!block) return;
  if (held) return shift(event, preview);
  const go = { ArrowLeft: () => beside(block, -1), ArrowRight: () => beside(block, 1), ArrowUp: () => across(block, -1), ArrowDown: () => across(block, 1) }[event.key];
  if (go) {
    event.preventDefault();
    go()?.focus();
    return;
  }
  const { unit, step } = block.dataset;
  switch (event.key.toLowerCase()) {
    case "m":
      if (!mayDecide) return;
      if (block.matches(movable)) hold(block);
      else say(words.fixed);
      break;
    case "f":
      if (!mayDecide) return;
      preview({ action: "first", unit }, block);
      break;
    case "u":
      if (!mayDecide) return;
      preview({ action: "unpin", unit, step }, block);
      break;
    case " ":
      if (!block.matches("[data-decide]")) return;
      open(block.getAttribute("href"), block);
      break;
    default:
      return;
  }
  event.preventDefault();
}

const lanesOf = () => [...chart.querySelectorAll(".lane[data-lane]")];
const blocksOf = (lane) => [...lane.querySelectorAll("a.block")];

function beside(block, by) {
  const list = blocksOf(block.closest(".lane"));
  return list[list.indexOf(block) + by];
}

// across is the block nearest in time on the next lane that has any.
function across(block, by) {
  const lanes = lanesOf();
  const at = middle(block);
  for (let i = lanes.indexOf(block.closest(".lane")) + by; i >= 0 && i < lanes.length; i += by) {
    const list = blocksOf(lanes[i]);
    if (list.length) return list.reduce((a, b) => (Math.abs(middle(b) - at) < Math.abs(middle(a) - at) ? b : a));
  }
  return undefined;
}

function middle(block) {
  const r = block.getBoundingClientRect();
  return r.left + r.width / 2;
}

// hold begins to move a block, by a kind of pointer or by keys.
function hold(block, by = "") {
  const lane = block.closest(".lane");
  const body = block.querySelector("svg").getBoundingClientRect();
  const ghost = document.createElement("div");
  ghost.className = by && by !== "mouse" ? "ghost lifted" : "ghost";
  ghost.append(document.createElement("span"));
  box.append(ghost);
  box.classList.add("moving");
  held = { block, unit: block.dataset.unit, step: block.dataset.step, begins: Date.parse(block.dataset.begins), from: lane, lane, minutes: 0, width: body.width, left: inBox(body.left), grip: by && pressed.x - laneLeft(lane), by, ghost };
  draw();
  if (by) creep(performance.now());
  else say(told(words.moving));
}

// inBox is a place of the window inside the box that scrolls.
const inBox = (x) => x - box.getBoundingClientRect().left + box.scrollLeft;
// laneLeft is where the drawing of a lane begins in the window now.
const laneLeft = (lane) => lane.querySelector("svg").getBoundingClientRect().left;

const told = (text) => text.replace("%1", `${held.unit} ${held.step}`).replace("%2", clock()).replace("%3", held.lane.dataset.name);

function perMinute() {
  const lane = held.from.querySelector("svg").getBoundingClientRect();
  return lane.width / ((Date.parse(chart.dataset.to) - Date.parse(chart.dataset.from)) / 60000);
}

// clock is the time that the step would start at, on the shop's wall clock.
const clock = () => wallClock(held.begins + held.minutes * 60000);

function draw() {
  const frame = box.getBoundingClientRect();
  const lane = held.lane.getBoundingClientRect();
  const s = held.ghost.style;
  s.width = `${Math.max(8, held.width)}px`;
  s.left = `${held.left + held.minutes * perMinute()}px`;
  s.top = `${lane.top - frame.top + box.scrollTop + 3}px`;
  held.ghost.firstChild.textContent = `${clock()} ${held.lane === held.from ? "" : held.lane.dataset.name}`;
  for (const l of lanesOf()) l.classList.toggle("drop", l === held.lane && l !== held.from);
}

function drag(event) {
  if (!pressed || !event.isPrimary) return;
  const away = Math.hypot(event.clientX - pressed.x, event.clientY - pressed.y);
  if (!held && pressed.touch && away > slip) clearTimeout(lifting); // it scrolls
  if (!held && !pressed.touch && away > far) hold(pressed.block, "mouse");
  if (!held?.by) return;
  event.preventDefault();
  pressed.at = event;
  follow();
}

// follow puts the block where the pointer is, on a chart that may have scrolled.
function follow() {
  const { clientX, clientY } = pressed.at;
  const minutes = (clientX - laneLeft(held.from) - held.grip) / perMinute();
  // To the side of another lane a small slip in time is none.
  held.lane = lanesOf().find((l) => l.dataset.kind === held.from.dataset.kind && within(l, clientY)) ?? held.from;
  held.minutes = held.lane !== held.from && Math.abs(minutes) < 2 * snap ? 0 : rounded(minutes);
  dragged = true;
  draw();
}

// creep scrolls while the pointer is held at a rim that it was taken to.
function creep(before) {
  requestAnimationFrame((now) => {
    if (!held?.by || !pressed) return;
    const { clientX, clientY } = pressed.at;
    const step = Math.min(50, Math.max(0, now - before)) * pace;
    const { left, right } = box.getBoundingClientRect();
    const was = [box.scrollLeft, window.scrollY].join();
    box.scrollLeft += step * towards(clientX, pressed.x, Math.max(0, left) + laneName(), Math.min(innerWidth, right));
    window.scrollBy(0, step * towards(clientY, pressed.y, 0, innerHeight));
    if (was !== [box.scrollLeft, window.scrollY].join()) follow();
    creep(now);
  });
}

// towards is -1 or 1 for a pointer that was taken to the lower or upper rim.
function towards(at, from, low, high) {
  if (at < low + edge && at < from - slip) return -1;
  return at > high - edge && at > from + slip ? 1 : 0;
}

const laneName = () => chart.querySelector(".lane-name").getBoundingClientRect().width;

// rounded moves the start to a full five minutes.
function rounded(minutes) {
  const at = held.begins / 60000;
  return Math.abs(minutes) < snap / 2 ? 0 : Math.round((at + minutes) / snap) * snap - at;
}

function within(lane, y) {
  const r = lane.getBoundingClientRect();
  return y >= r.top && y < r.bottom;
}

function shift(event, preview) {
  const by = (event.shiftKey ? 6 : 1) * snap;
  switch (event.key) {
    case "ArrowLeft":
      held.minutes = rounded(held.minutes - by);
      break;
    case "ArrowRight":
      held.minutes = rounded(held.minutes + by);
      break;
    case "ArrowUp":
    case "ArrowDown": {
      const like = lanesOf().filter((l) => l.dataset.kind === held.from.dataset.kind);
      held.lane = like[like.indexOf(held.lane) + (event.key === "ArrowUp" ? -1 : 1)] ?? held.lane;
      break;
    }
    case "Enter":
      event.preventDefault();
      drop(preview);
      return;
    case "Tab":
      letGo();
      return;
    default:
      return;
  }
  event.preventDefault();
  draw();
  held.ghost.scrollIntoView({ block: "nearest", inline: "nearest" });
  say(words.at.replace("%1", clock()).replace("%2", held.lane.dataset.name));
}

function letGo() {
  const block = held.block;
  clear();
  pressed = null;
  say(words.letgo);
  block.focus();
}

function clear() {
  held.ghost.remove();
  box.classList.remove("moving");
  for (const l of lanesOf()) l.classList.remove("drop");
  held = null;
}

function drop(preview) {
  const { block, unit, step, from, lane, minutes, begins } = held;
  clear();
  if (!minutes && lane === from) return say(words.letgo);
  const values = { action: "move", unit, step };
  if (minutes) values.start = new Date(begins + minutes * 60000).toISOString();
  if (lane !== from) values[lane.dataset.kind === "technician" ? "technician" : "resource"] = lane.dataset.lane;
  preview(values, block);
}
