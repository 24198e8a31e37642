// Opening without a network: registers the service worker, asks it to keep
// this page and those that it leads to, and says when the page is a kept copy.
import { renew } from "./live.js";
import { words } from "./words.js";

export const isKept = () => document.body.hasAttribute("data-kept");

export function kept() {
  if (isKept()) {
    const asOf = document.querySelector("[data-clock]")?.dataset.shown ?? document.querySelector("[data-clock]")?.textContent ?? "";
    say("kept", `${words.kept} ${asOf}`);
    document.querySelector(".notice.said")?.remove(); // it was said then
    window.addEventListener("online", renew);
    renew(); // the network may only have been slow
    document.addEventListener("renewed", () => {
      document.body.removeAttribute("data-kept");
      document.getElementById("kept").hidden = true;
    });
  }
  if (!("serviceWorker" in navigator)) {
    if (!window.isSecureContext) say("plain-http", words.plain);
    return;
  }
  navigator.serviceWorker.register("/sw.js").catch(() => {}); // the page works without
  navigator.serviceWorker.ready.then((registration) => {
    if (isKept()) return;
    const links = [...document.querySelectorAll('#jobs a[href*="/steps/"]')].map((a) => new URL(a.href).pathname);
    registration.active?.postMessage({ keep: [location.pathname, "/job", ...new Set(links)] });
  });
}

function say(id, text) {
  const line = document.getElementById(id);
  line.querySelector("span").textContent = text;
  line.hidden = false;
}
