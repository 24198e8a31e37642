// Clocks, timers and the board's now-line. All run on the server's clock: the
// page says what it was when it was made.

let ahead; // of this device's clock over the server's, ms

const remembered = "tickover-ahead";

export function setServerTime(iso) {
  const t = Date.parse(iso);
  if (Number.isNaN(t)) return;
  ahead = Date.now() - t;
  remember(ahead);
}

// A kept copy was made some time ago: what was known of the clocks counts.
function fromBefore() {
  try {
    return Number(localStorage.getItem(remembered) ?? 0);
  } catch {
    return 0;
  }
}

function remember(ms) {
  try {
    localStorage.setItem(remembered, String(ms));
  } catch {
    // A kept copy then runs on this device's clock.
  }
}

export function serverNow() {
  if (ahead === undefined) {
    if (document.body.hasAttribute("data-kept")) ahead = fromBefore();
    else setServerTime(document.body.dataset.now);
  }
  return Date.now() - (ahead ?? 0);
}

export function clocks() {
  tick();
  setInterval(tick, 1000);
}

const two = (n) => String(n).padStart(2, "0");

function tick() {
  const now = serverNow();
  for (const timer of document.querySelectorAll("[data-timer]")) {
    const left = Math.round((Date.parse(timer.dataset.timer) - now) / 1000);
    const s = Math.abs(left);
    const text = s >= 3600 ? `${Math.floor(s / 3600)}:${two(Math.floor(s / 60) % 60)}:${two(s % 60)}` : `${Math.floor(s / 60)}:${two(s % 60)}`;
    const count = timer.querySelector("[data-count]");
    if (count) count.textContent = (left < 0 ? "+" : "") + text;
    timer.classList.toggle("over", left < 0);
  }
  const clock = document.querySelector("[data-clock]");
  if (clock) clock.textContent = wallClock(now);
  const chart = document.getElementById("chart");
  if (chart) {
    const from = Date.parse(chart.dataset.from);
    const share = (100 * (now - from)) / (Date.parse(chart.dataset.to) - from);
    for (const line of chart.querySelectorAll("[data-now] line")) {
      line.setAttribute("x1", `${share.toFixed(3)}%`);
      line.setAttribute("x2", `${share.toFixed(3)}%`);
    }
  }
}

// wallClock is the time of day in the shop, in its own time zone wherever this
// device is.
export function wallClock(at) {
  const clock = document.querySelector("[data-clock]");
  if (!clock) return "";
  const parts = new Intl.DateTimeFormat("en-GB", { timeZone: clock.dataset.clock, hour: "2-digit", minute: "2-digit", hourCycle: "h23" }).formatToParts(at);
  const [h, m] = ["hour", "minute"].map((type) => Number(parts.find((p) => p.type === type).value));
  return clock.dataset.hours === "12" ? `${h % 12 || 12}:${two(m)} ${h < 12 ? "am" : "pm"}` : `${two(h)}:${two(m)}`;
}
