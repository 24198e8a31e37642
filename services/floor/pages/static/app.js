// What a page does beyond its forms: it stays fresh, and its clocks run. With
// scripting off everything still works; reload by hand.
import { listen } from "./live.js";
import { clocks } from "./clocks.js";
import { frameNumber } from "./frame.js";

clocks();
frameNumber();
if (document.body.hasAttribute("data-live-page")) listen();

// A form is sent once per press; the queue drops a second one anyway.
document.addEventListener("submit", (event) => {
  const button = event.submitter;
  if (!button || event.defaultPrevented || event.target.method !== "post") return;
  if (button.hasAttribute("aria-busy")) {
    event.preventDefault();
    return;
  }
  button.setAttribute("aria-busy", "true");
  window.addEventListener("pageshow", () => button.removeAttribute("aria-busy"), { once: true });
});

document.querySelector("[data-focus]")?.focus();

for (const button of document.querySelectorAll("[data-print]")) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
}

// The board opens where the day stands now.
const now = document.querySelector(".axis [data-now] line");
const box = document.querySelector(".chart-box");
if (now && box) box.scrollLeft = Math.max(0, (parseFloat(now.getAttribute("x1")) / 100) * box.scrollWidth - box.clientWidth / 2);
