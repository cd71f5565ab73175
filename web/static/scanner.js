// The scanner check hears what a field cannot show: the separator, the key that ends a code, Caps
// Lock, and a code that nothing ends.

import { sendForm, takeRegions } from "./regions.js";
import { keepSeparatorKey, listenToWedge, separatorKey } from "./wedge.js";

const form = document.querySelector("form[data-check]");
const field = form.querySelector("[name=arrived]");

listenToWedge(
  async (code, how) => {
    const copy = form.cloneNode(true);
    copy.querySelector("[name=arrived]").value = code;
    copy.querySelector("[name=ended_by]").value = how.endedBy;
    copy.querySelector("[name=caps_lock]").value = how.capsLock ? "yes" : "";
    copy.querySelector("[name=was_scanned]").value = how.wasScanned ? "yes" : "";
    const answer = await sendForm(copy);
    if (answer.ok) takeRegions(answer.html);
    else location.reload();
  },
  { field, silent: true },
);

const part = document.querySelector("[data-separator]");
const key = part.querySelector("input");
part.hidden = false;
key.value = separatorKey();
key.addEventListener("keydown", (event) => {
  if (["Tab", "Shift", "Control", "Alt", "AltGraph"].includes(event.key)) return;
  event.preventDefault();
  event.stopPropagation();
  key.value = ["Backspace", "Delete"].includes(event.key) ? "" : event.key;
  keepSeparatorKey(key.value);
});
