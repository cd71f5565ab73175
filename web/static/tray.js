// Scanning to a tray without leaving the page: each answer is put up beside the list, and what is
// refused stays until it has been seen.

import { announce, parsed, sendForm, takeRegions } from "./regions.js";
import { listenToWedge } from "./wedge.js";

const form = document.querySelector("form[data-scan]");
const field = form?.querySelector("[name=code]");
const answers = document.querySelector("[data-verdicts]");
const last = document.querySelector("[data-last]");

let sound = null;
let line = Promise.resolve();

// Sound, only after somebody has asked for it, and never without words.

const tone = (hertz, from, seconds) => {
  const source = sound.createOscillator();
  const volume = sound.createGain();
  source.frequency.value = hertz;
  volume.gain.value = 0.15;
  source.connect(volume).connect(sound.destination);
  source.start(sound.currentTime + from);
  source.stop(sound.currentTime + from + seconds);
};

const play = (kind) => {
  if (!sound) return;
  if (kind === "well") tone(880, 0, 0.12);
  else for (const from of [0, 0.25]) tone(kind === "part" ? 440 : 220, from, 0.18);
};

const addSoundButton = () => {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "quiet";
  button.textContent = "Sound on";
  button.setAttribute("aria-pressed", "false");
  button.addEventListener("click", () => {
    const isOn = sound !== null;
    if (isOn) sound.close();
    sound = isOn ? null : new AudioContext();
    button.setAttribute("aria-pressed", String(!isOn));
    button.textContent = isOn ? "Sound on" : "Sound off";
    play("well");
  });
  document.querySelector("[data-tools]").append(button);
};

// What is pinned hides nothing: it stands below news of the stock, and what the focus goes to stops
// below it. The last verdict is in it while the verdict itself is out of sight.

const keepClear = () => {
  const pinned = document.querySelector(".pinned");
  const news = document.getElementById("live");
  const measure = () => {
    const style = document.documentElement.style;
    const isPinned = getComputedStyle(pinned).position === "sticky";
    const height = isPinned ? pinned.offsetHeight + last.offsetHeight : 0;
    style.setProperty("--news", `${news.offsetHeight}px`);
    style.setProperty("--pinned", `${news.offsetHeight + height}px`);
  };
  const sizes = new ResizeObserver(measure);
  for (const one of [pinned, news, last]) sizes.observe(one);
  last.dataset.floats = "";
  new IntersectionObserver(([seen]) => {
    last.hidden = seen.isIntersecting;
  }).observe(answers);
};

/** The next pack is scanned into the field: it has the focus, and stays in sight. */
const backToField = () => {
  field.focus({ preventScroll: true });
  const { top, bottom } = field.getBoundingClientRect();
  if (top < 0 || bottom > innerHeight) field.scrollIntoView({ block: "center" });
};

// Answers.

const isRefused = (one) => one.dataset.kind !== "well";

const noteLast = (one) => {
  const shape = one?.querySelector("h2 > span").textContent;
  last.textContent = one ? `${shape} ${one.dataset.short}` : "";
  last.dataset.kind = one?.dataset.kind ?? "";
};

const putUp = (page) => {
  const fresh = page.querySelector("[data-verdict]");
  for (const one of [...answers.children])
    if (!isRefused(one) || one.hasAttribute("data-passing")) one.remove();
  if (!page.querySelector("[data-second]"))
    answers.querySelectorAll('[data-verdict="needs_primary"]').forEach((one) => one.remove());
  if (!fresh) return;
  const one = document.importNode(fresh, true);
  answers.prepend(one);
  noteLast(one);
  // A refusal is read before the next pack; the right pack moves nothing under anybody's hands.
  if (isRefused(one)) one.scrollIntoView({ block: "start" });
  play(one.dataset.kind);
  field.value = "";
  waitForSecond(page);
};

const waitForSecond = (page) => {
  form.querySelector("[data-second]")?.remove();
  const fresh = page.querySelector("form[data-scan] [data-second]");
  if (fresh) form.append(document.importNode(fresh, true));
  const label = page.querySelector("label[for=code]");
  if (label) form.querySelector("label[for=code]").textContent = label.textContent;
  const check = page.querySelector("form[data-scan] > button");
  if (check) form.querySelector("button").className = check.className;
  const byHand = page.getElementById("by-hand");
  if (byHand) document.getElementById("by-hand").replaceWith(document.importNode(byHand, true));
};

const passing = (text) => {
  const note = document.createElement("p");
  note.className = "notice";
  note.dataset.passing = "";
  note.dataset.kind = "well";
  last.textContent = "";
  note.textContent = text;
  answers.querySelector("[data-passing]")?.remove();
  answers.prepend(note);
  announce(text);
};

const fail = () =>
  passing("The service could not be reached. Nothing was saved: scan the pack again.");

const send = async (sent, submitter) => {
  const answer = await sendForm(sent, submitter);
  if (new URL(answer.url).pathname === "/sign-in") {
    location.assign(answer.url);
    return;
  }
  const page = parsed(answer.html);
  if (answer.status >= 400) {
    passing(page.querySelector("[role=alert]")?.textContent.trim() ?? "Nothing was saved.");
    return;
  }
  takeRegions(page);
  // The refusal this form went on from is answered now.
  if (sent.isConnected) sent.closest("[data-verdict]")?.remove();
  putUp(page);
};

/** One after the other, in the order in which they were scanned. */
const inLine = (sent, submitter = null) => {
  line = line.then(() => send(sent, submitter)).catch(fail);
  return line;
};

const scanned = (code) => {
  const copy = form.cloneNode(true);
  copy.querySelector("[name=code]").value = code;
  inLine(copy);
};

if (form && answers) {
  addSoundButton();
  keepClear();
  document.addEventListener("submit", (event) => {
    if (!event.target.matches("form[data-scan]")) return;
    event.preventDefault();
    inLine(event.target, event.submitter).then(backToField);
  });
  document.addEventListener("click", (event) => {
    if (!event.target.closest("[data-acknowledge]")) return;
    event.preventDefault();
    event.target.closest("[data-verdict]").remove();
    noteLast(answers.querySelector("[data-verdict]"));
    backToField();
  });
  listenToWedge(scanned, {
    field,
    onRepeat: () => passing("The same code came twice at once: counted once."),
  });
}
