// Says, while it is typed, which kind of number stands on the frame, whether the
// machine is here or called back, and fills in what is known of one that was
// here before. The server's page says it, in the reader's language.

export function frameNumber() {
  const field = document.querySelector("[data-frame]");
  if (!field) return;
  let timer = 0;
  let last = field.value;
  field.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(async () => {
      if (field.value === last) return;
      last = field.value;
      try {
        const answer = await fetch(`/check-in?frame=${encodeURIComponent(last)}`);
        if (!answer.ok) return;
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        if (field.value === last) show(field.form, page);
      } catch {
        // It is said again when the form is sent.
      }
    }, 250);
  });
}

function show(form, page) {
  for (const id of ["frame-notices", "frame-says"]) take(id, page);
  const known = page.querySelector("[data-known]") !== null;
  const theirs = page.querySelector("form.check-in").elements;
  for (const name of ["make", "model", "year", "family", "fitment", "variant", "plate"]) fill(form.elements[name], known ? theirs[name].value : "");
  owner(form, known ? theirs.ownership.value : "");
  const customer = form.querySelector("#customer");
  const typed = ["name", "phone", "email"].some((name) => form.elements[name]?.value);
  if (customer && !typed && (known || customer.dataset.filled)) {
    take("customer", page);
    customer.dataset.filled = known ? "yes" : "";
  }
}

function take(id, page) {
  document.getElementById(id)?.replaceChildren(...[...page.getElementById(id).childNodes].map((node) => document.importNode(node, true)));
}

// fill leaves alone what somebody has written.
function fill(field, value) {
  if (field.value !== "" && field.value !== field.dataset.filled) return;
  if (value === "" && field.dataset.filled === undefined) return;
  field.value = value;
  field.dataset.filled = value;
}

function owner(form, value) {
  const chosen = form.elements.ownership;
  if (chosen.value !== "" && chosen.value !== form.dataset.owner) return;
  for (const radio of chosen) radio.checked = radio.value === value;
  form.dataset.owner = value;
}
