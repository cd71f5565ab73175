// Receiving by scan without leaving the page: a code is read by the service and put into its line;
// nothing is saved before the button is pressed.

import { announce, parsed, sendForm } from "./regions.js";
import { listenToWedge } from "./wedge.js";

const form = document.querySelector("form[data-receive]");
const field = form?.querySelector("[name=code]");
let line = Promise.resolve();

const say = (text) => {
  const note = document.createElement("p");
  note.className = "notice refused";
  note.textContent = text;
  form.querySelector("[data-answer]").prepend(note);
  announce(text);
};

const putIn = (page, name) => {
  const fresh = page.querySelector(`form[data-receive] [${name}]`);
  // Where the focus goes is this page's own business: the next scan.
  fresh?.querySelectorAll("[autofocus]").forEach((one) => one.removeAttribute("autofocus"));
  if (fresh)
    form.querySelector(`[${name}]`).replaceChildren(...document.importNode(fresh, true).childNodes);
};

const read = async (code) => {
  const copy = form.cloneNode(true);
  // A clone keeps what the page was served with; what has been typed since goes along.
  for (const one of form.elements) {
    const twin = one.name && copy.elements.namedItem(one.name);
    if (twin && "value" in twin && one.type !== "checkbox") twin.value = one.value;
  }
  copy.elements.namedItem("code").value = code;
  const answer = await sendForm(copy);
  if (new URL(answer.url).pathname === "/sign-in") {
    location.assign(answer.url);
    return;
  }
  const page = parsed(answer.html);
  if (answer.status >= 400 && !page.querySelector("form[data-receive]")) {
    say(page.querySelector("[role=alert]")?.textContent.trim() ?? "Nothing was read.");
    return;
  }
  putIn(page, "data-answer");
  putIn(page, "data-rows");
  field.value = "";
  announce(form.querySelector("[data-answer]").textContent.trim());
  field.focus({ preventScroll: true });
};

/** One after the other, in the order in which they were scanned. */
const inLine = (code) => {
  line = line
    .then(() => read(code))
    .catch(() => say("The service could not be reached. Nothing was read: scan the pack again."));
};

if (form) {
  listenToWedge(inLine, {
    field,
    onRepeat: () => announce("The same code came twice at once: counted once."),
  });
  form.addEventListener("submit", (event) => {
    if (event.submitter?.value !== "read") return;
    event.preventDefault();
    if (field.value !== "") inLine(field.value);
  });
  if (!form.querySelector("[autofocus]")) field.focus({ preventScroll: true });
}
