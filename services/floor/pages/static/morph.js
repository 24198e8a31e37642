// Makes an element like a newer one, keeping what the person has done: fields
// that were touched, details that were opened, the focus, scroll positions.

export function morph(old, next) {
  if (old.nodeName === "TEMPLATE") old.innerHTML = next.innerHTML;
  if (old.isEqualNode(next)) return;
  attributes(old, next);
  children(old, next);
}

// touched reports a form with something typed or chosen by hand: it stays whole.
function touched(element) {
  if (!(element instanceof HTMLFormElement)) return false;
  if (element.dataset.touched || element.dataset.busy) return true;
  if (element.contains(document.activeElement) && document.activeElement.tagName !== "BUTTON") return true;
  return [...element.elements].some((field) => {
    if (field.type === "hidden") return false;
    if (field.type === "radio" || field.type === "checkbox") return field.checked !== field.defaultChecked;
    if (field.tagName === "SELECT") return [...field.options].some((o, i) => o.selected !== (o.defaultSelected || (i === 0 && !field.querySelector("[selected]"))));
    return "defaultValue" in field && field.value !== field.defaultValue;
  });
}

function attributes(old, next) {
  for (const { name, value } of [...next.attributes]) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  for (const { name } of [...old.attributes]) {
    const keep = (name === "open" && old.tagName === "DETAILS") || name === "aria-busy";
    if (!next.hasAttribute(name) && !keep) old.removeAttribute(name);
  }
}

const key = (node) => node.id || (node.tagName === "FORM" && node.action + (node.elements.unit?.value ?? "") + (node.elements.step?.value ?? "") + (node.elements.what?.value ?? "")) || "";
const alike = (a, b) => a.nodeType === b.nodeType && a.nodeName === b.nodeName && (a.nodeType !== 1 || key(a) === key(b));

function children(old, next) {
  let at = old.firstChild;
  for (const wanted of [...next.childNodes]) {
    let match = at;
    while (match && !alike(match, wanted)) match = match.nextSibling;
    if (!match) {
      old.insertBefore(document.importNode(wanted, true), at);
      continue;
    }
    while (at !== match) {
      const gone = at;
      at = at.nextSibling;
      if (!keeps(gone)) gone.remove();
    }
    at = match.nextSibling;
    if (match.nodeType === 1) {
      if (!touched(match)) morph(match, wanted);
    } else if (match.data !== wanted.data) match.data = wanted.data;
  }
  while (at) {
    const gone = at;
    at = at.nextSibling;
    if (!keeps(gone)) gone.remove();
  }
}

// keeps reports an element that must not vanish under somebody's hands.
function keeps(node) {
  return node.nodeType === 1 && (touched(node) || [...node.querySelectorAll("form")].some(touched));
}
