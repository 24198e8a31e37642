// Calls the technician back shortly before hands-off time ends, by sound and
// vibration, from the timers on the page: also without a network. A browser
// allows sound only after a tap.
import { serverNow } from "./clocks.js";
import { words } from "./words.js";

const every = 15000; // ms between two calls until somebody hears
const timesMax = 12;

let audio;
let awake; // the lock that keeps the screen on
const calledOff = new Set(); // calls that were heard
const rung = new Map(); // call → {times, last}

export function calls() {
  if (!document.getElementById("sound")) return;
  const wake = async () => {
    audio ??= new AudioContext();
    await audio.resume();
    mark();
  };
  mark();
  document.addEventListener("click", async (event) => {
    if (event.target.closest("#call button")) {
      for (const key of rung.keys()) calledOff.add(key);
      look();
    }
    const button = event.target.closest("#sound");
    if (!button) return;
    const on = button.getAttribute("aria-pressed") !== "true";
    localStorage.setItem("tickover-sound", on ? "on" : "off");
    if (on) await wake();
    mark();
    if (on) {
      ring();
      stayAwake();
    } else awake?.release();
  });
  document.addEventListener("visibilitychange", stayAwake);
  // It was wanted before: the first tap of this page allows it again.
  document.addEventListener("pointerdown", (event) => wanted() && !event.target.closest("#sound") && wake(), { once: true });
  document.addEventListener("renewed", () => {
    mark();
    stayAwake();
  });
  stayAwake();
  setInterval(look, 1000);
  look();
}

// A phone that sleeps calls nobody: its screen stays on while sound is.
async function stayAwake() {
  if (document.hidden || !wanted() || !document.querySelector("#jobs [data-call-at]")) return;
  try {
    awake = awake?.released === false ? awake : await navigator.wakeLock?.request("screen");
  } catch {
    // It is not allowed, or the battery is low.
  }
}

const wanted = () => localStorage.getItem("tickover-sound") === "on";

function mark() {
  const button = document.getElementById("sound");
  if (!button) return;
  button.hidden = !("AudioContext" in window);
  button.setAttribute("aria-pressed", String(wanted() && audio?.state === "running"));
}

function look() {
  const bar = document.getElementById("call");
  if (!bar) return;
  const now = serverNow();
  const due = new Map();
  for (const timer of document.querySelectorAll("#jobs [data-call-at]")) {
    const card = timer.closest("[data-card]");
    if (Date.parse(timer.dataset.callAt) <= now) due.set(`${card.id} ${timer.dataset.callAt}`, card.dataset.unit);
  }
  for (const key of rung.keys()) if (!due.has(key)) rung.delete(key);
  const open = [...due].filter(([key]) => !calledOff.has(key));
  bar.hidden = open.length === 0;
  for (const [key, unit] of open) {
    bar.querySelector("p").textContent = `${unit}: ${words.call}`;
    const was = rung.get(key) ?? { times: 0, last: 0 };
    if (was.times >= timesMax || Date.now() - was.last < every) continue;
    rung.set(key, { times: was.times + 1, last: Date.now() });
    if (wanted()) ring();
    navigator.vibrate?.([400, 150, 400, 150, 800]);
  }
}

// ring plays two rising tones, twice.
function ring() {
  if (audio?.state !== "running") return;
  [660, 880, 660, 880].forEach((pitch, i) => tone(audio, pitch, i * 0.28, 0.22));
}

export function tone(context, pitch, after, length) {
  const at = context.currentTime + after;
  const voice = context.createOscillator();
  const loudness = context.createGain();
  voice.frequency.value = pitch;
  loudness.gain.setValueAtTime(0.0001, at);
  loudness.gain.exponentialRampToValueAtTime(0.5, at + 0.02);
  loudness.gain.setValueAtTime(0.5, at + length - 0.05);
  loudness.gain.exponentialRampToValueAtTime(0.0001, at + length);
  voice.connect(loudness).connect(context.destination);
  voice.start(at);
  voice.stop(at + length);
}
