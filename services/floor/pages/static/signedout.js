// Says that nobody is signed in on this device any more. What was recorded
// stays in the outbox and is sent when somebody has signed in.
export function signedOut() {
  const notice = document.getElementById("signed-out");
  if (notice) notice.hidden = false;
}

// refused reports an answer that a new sign-in would change.
export function refused(response) {
  const gone = ["signed-out", "stale-form"].includes(response.headers.get("Tickover-Code"));
  if (gone) signedOut();
  return gone;
}
