// Photos as evidence: shrunk on the phone before they are sent, so that they
// leave fast and small, and without the camera's notes.
import { words } from "./words.js";

const sideMax = 1600; // pixels; the server keeps no more
const countMax = 7;
const quality = 0.82;
const chosen = new WeakMap(); // fieldset → blobs

export function photos() {
  document.addEventListener("change", async (event) => {
    const input = event.target;
    const field = input.closest?.("[data-photo]");
    if (!field || input.type !== "file") return;
    const list = chosen.get(field) ?? [];
    chosen.set(field, list);
    const says = field.querySelector(".photo-says");
    says.textContent = "";
    says.classList.remove("wrong");
    const files = [...input.files];
    input.value = ""; // the same photo may be chosen again after it was removed
    for (const file of files) {
      if (list.length >= countMax) {
        wrong(says, words.many);
        break;
      }
      try {
        const blob = await shrink(file);
        list.push(blob);
        field.querySelector(".photo-kept").append(await preview(blob, list, says));
        says.textContent = `${words.shrunk} ${list.length}`;
      } catch {
        wrong(says, words.unreadable);
      }
    }
    // A form with a photo is touched: news must not take it away.
    if (list.length > 0) field.closest("form").dataset.touched = "yes";
  });
}

function wrong(says, text) {
  says.textContent = text;
  says.classList.add("wrong");
}

// picked are the photos chosen in a form: [{name, blob}].
export function picked(form) {
  return [...form.querySelectorAll("[data-photo]")].flatMap((field) => (chosen.get(field) ?? []).map((blob) => ({ name: field.dataset.photo, blob })));
}

// forget empties the photos of a form that was taken over.
export function forget(form) {
  for (const field of form.querySelectorAll("[data-photo]")) {
    chosen.delete(field);
    for (const button of field.querySelectorAll(".photo-preview")) button.remove();
    field.querySelector(".photo-says").textContent = "";
  }
  delete form.dataset.touched;
}

async function shrink(file) {
  const picture = await createImageBitmap(file); // turned as the camera says
  try {
    const share = Math.min(1, sideMax / Math.max(picture.width, picture.height));
    const canvas = draw(picture, Math.max(1, Math.round(picture.width * share)), Math.max(1, Math.round(picture.height * share)));
    return await new Promise((resolve, reject) => canvas.toBlob((blob) => (blob ? resolve(blob) : reject(new Error("not drawn"))), "image/jpeg", quality));
  } finally {
    picture.close();
  }
}

function draw(picture, width, height) {
  const canvas = document.createElement("canvas");
  Object.assign(canvas, { width, height });
  const pen = canvas.getContext("2d");
  pen.fillStyle = "#fff";
  pen.fillRect(0, 0, width, height);
  pen.imageSmoothingQuality = "high";
  pen.drawImage(picture, 0, 0, width, height);
  return canvas;
}

// preview is a small picture that removes the photo when it is pressed.
async function preview(blob, list, says) {
  const picture = await createImageBitmap(blob);
  const canvas = draw(picture, Math.round((96 * picture.width) / picture.height), 96);
  picture.close();
  const button = document.createElement("button");
  button.type = "button";
  button.className = "photo-preview";
  button.setAttribute("aria-label", words.remove);
  button.append(canvas);
  button.addEventListener("click", () => {
    list.splice(list.indexOf(blob), 1);
    if (list.length === 0) delete button.closest("form").dataset.touched;
    button.remove();
    says.textContent = `${words.shrunk} ${list.length}`;
  });
  return button;
}
