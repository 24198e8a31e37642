// A barcode scanner types its code fast and ends it with Enter, wherever the
// focus is. What a person types into a field is left alone.
import { tone } from "./call.js";
import { words } from "./words.js";

const gapMax = 100; // ms between two keys of a scanner
const lengthMin = 3;

let code = "";
let last = 0;
let audio;

export function scanner() {
  const says = document.getElementById("scanned");
  if (!says) return;
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || isText(event.target)) return;
    if (event.timeStamp - last > gapMax) code = "";
    last = event.timeStamp;
    if (event.key.length === 1) {
      code += event.key;
      // A space in a code would press the button that has the focus.
      if (code.length > 1) event.preventDefault();
      return;
    }
    if (event.key !== "Enter" || code.length < lengthMin) return;
    event.preventDefault();
    const scanned = code;
    code = "";
    open(scanned, says);
  });
  document.querySelector("form.find")?.addEventListener("submit", (event) => {
    event.preventDefault();
    const field = event.target.elements.q;
    const scanned = field.value.trim();
    if (!scanned) return;
    field.select();
    open(scanned, says);
  });
}

const isText = (e) => e instanceof HTMLElement && (e.isContentEditable || e.matches("textarea, select, input:not([type=radio], [type=checkbox], [type=file])"));

async function open(scanned, says) {
  says.hidden = true;
  try {
    const answer = await fetch(`/scan?${new URLSearchParams({ code: scanned })}`, { signal: AbortSignal.timeout(6000) });
    if (answer.ok) location.assign(await answer.text());
    else if (answer.status === 404) say(says, `${words.unknown} ${scanned}`);
    else say(says, words.noScan);
  } catch {
    say(says, words.noScan);
  }
}

function say(says, text) {
  says.querySelector("span").textContent = text;
  says.hidden = false;
  try {
    audio ??= new AudioContext(); // sounds if the page was touched before
    tone(audio, 196, 0, 0.5);
  } catch {
    // It is seen.
  }
}
