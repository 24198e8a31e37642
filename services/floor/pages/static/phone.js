// The technician's phone, and the screen at a bench: what is recorded goes
// through an outbox, so that it works without a network; photos are shrunk;
// the end of hands-off time is heard; a scanner is understood.
//
// Everything here is beside the plain forms: with scripting off they are sent
// as they are.
import { forms } from "./send.js";
import { outbox } from "./outbox.js";
import { photos } from "./photo.js";
import { calls } from "./call.js";
import { scanner } from "./scan.js";
import { kept } from "./kept.js";

if (document.getElementById("phone")) {
  kept();
  photos();
  forms();
  outbox();
  calls();
  scanner();
}
