// What the scripts say: the page brings it in its own language.
const place = document.getElementById("phone");

export const words = place?.dataset ?? {};
