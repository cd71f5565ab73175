// The progress of long work: asked for once a second, and then the page with what came of it.
import { announce, quietFetch } from "/static/regions.js";

const box = document.querySelector("[data-progress]");
const bar = box.querySelector("progress");
const words = box.querySelector("[data-words]");
const EVERY = 1000;
const MOST_SILENCES = 5;
let stage = "";
let silences = 0;

const show = (told) => {
  if (told.total) {
    bar.max = told.total;
    bar.value = told.done;
  } else {
    bar.removeAttribute("value");
  }
  words.textContent = told.total ? `${told.stage}: ${told.done} of ${told.total}` : told.stage;
  if (told.stage !== stage) announce(told.stage);
  stage = told.stage;
};

const ask = async () => {
  try {
    const answer = await quietFetch(box.dataset.progress, { Accept: "application/json" });
    if (!answer.ok) {
      // Not known any more, or signed out: the page itself says what to do.
      location.reload();
      return;
    }
    const told = await answer.json();
    silences = 0;
    if (told.next) {
      location.assign(told.next);
      return;
    }
    show(told);
  } catch {
    silences += 1;
    words.textContent = `The service does not answer; asking again. (${silences})`;
    if (silences > MOST_SILENCES) {
      words.textContent = "The service does not answer. Open this page again in a minute.";
      return;
    }
  }
  setTimeout(ask, EVERY);
};

setTimeout(ask, EVERY);
