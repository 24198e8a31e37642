// Setup is a plain form; this only spares some typing: a further empty row,
// and the time zone that this device is set to.
const zone = document.querySelector("[data-zone]");
if (zone && zone.value === "") {
  const here = Intl.DateTimeFormat().resolvedOptions().timeZone ?? "";
  if (here.includes("/")) zone.value = here;
}

for (const rows of document.querySelectorAll("[data-rows]")) {
  const label = rows.closest("form").dataset.addRow;
  const button = document.createElement("button");
  button.type = "button";
  button.className = "add-row";
  button.textContent = label;
  button.addEventListener("click", () => {
    const group = rows.dataset.rows;
    const row = rows.querySelector("[data-row]:last-child").cloneNode(true);
    const number = rows.closest("fieldset").querySelectorAll("[data-row]").length;
    row.setAttribute("aria-label", label);
    for (const field of row.querySelectorAll("[name]")) {
      field.name = `${group}.${number}.${field.name.split(".")[2]}`;
      field.removeAttribute("aria-invalid");
      field.removeAttribute("aria-describedby");
      if (field.type === "checkbox") field.checked = false;
      else if (field.tagName === "INPUT") field.value = "";
    }
    rows.append(row);
    row.querySelector("input").focus();
  });
  rows.after(button);
}
