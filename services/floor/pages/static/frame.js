// Says, while it is typed, which kind of number stands on the frame. Typed text
// goes through textContent only.

export function frameNumber() {
  const field = document.querySelector("[data-frame]");
  const says = document.getElementById("frame-says");
  if (!field || !says) return;
  let timer = 0;
  let last = field.value;
  field.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(async () => {
      if (field.value === last) return;
      last = field.value;
      try {
        const answer = await fetch(`/api/v1/frame-number?number=${encodeURIComponent(last)}`);
        if (answer.ok) show(says, await answer.json());
      } catch {
        // It is said again when the form is sent.
      }
    }, 250);
  });
}

const names = {
  vin: "VIN, check digit right",
  vin_check_digit_wrong: "VIN, check digit wrong",
  off_road_pin: "Off-road PIN, or a VIN from elsewhere",
  frame_number: "Older or foreign frame number",
  unreadable: "Has characters that no such number has",
  unrecognised: "No known kind of number",
};

function show(says, number) {
  const heading = document.createElement("p");
  heading.className = `class ${number.class}`;
  heading.textContent = names[number.class] ?? number.class;
  const notes = number.notes.map((note) => {
    const p = document.createElement("p");
    p.textContent = note;
    return p;
  });
  says.replaceChildren(heading, ...notes);
}
