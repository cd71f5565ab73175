// The plan of a case: what follows from the form is shown while it is filled in. The server works it
// out; without this file the button "Check cover" asks for the same.

const PAUSE_MS = 350;

const form = document.querySelector("[data-plan]");
if (form) watch(form);

function watch(form) {
  const region = form.querySelector("[data-answers]");
  let timer = 0;
  let asked = null;

  function ask() {
    clearTimeout(timer);
    // An answer to what has been typed over is of no use to anybody.
    asked?.abort();
    asked = new AbortController();
    region.setAttribute("aria-busy", "true");
    timer = setTimeout(() => fetchParts(form, region, asked.signal), PAUSE_MS);
  }

  form.addEventListener("input", ask);
  form.addEventListener("submit", () => { clearTimeout(timer); asked?.abort(); });
}

async function fetchParts(form, region, signal) {
  try {
    const answer = await fetch(form.dataset.plan, {
      method: "POST",
      body: new URLSearchParams(new FormData(form)),
      headers: { "X-Parts-Only": "yes" },
      signal,
    });
    const html = await answer.text();
    if (answer.redirected || !answer.ok) throw new Error(`status ${answer.status}`);
    takeParts(form, html);
  } catch (error) {
    if (error.name === "AbortError") return;
    const note = document.createElement("p");
    note.className = "notice stale";
    note.textContent = "The cover could not be worked out just now. What you typed is still here; press Check cover, or sign in again.";
    region.querySelector("[data-part=cover]").replaceChildren(note);
  }
  region.setAttribute("aria-busy", "false");
}

// A part with a key is put in whole when its key differs, for then it holds other fields; parts
// without one hold only words, and are put in when they say something else.
function takeParts(form, html) {
  const fresh = new DOMParser().parseFromString(html, "text/html");
  const kept = keepFocus();
  for (const part of fresh.querySelectorAll("[data-part][data-key]")) {
    const old = find(form, part);
    if (old && old.dataset.key !== part.dataset.key) old.replaceWith(openAsBefore(old, part));
  }
  for (const part of fresh.querySelectorAll("[data-part]:not([data-key])")) {
    const old = find(form, part);
    if (old && old.innerHTML !== part.innerHTML) old.replaceChildren(...document.importNode(part, true).childNodes);
  }
  kept();
}

function find(form, part) {
  return form.querySelector(`[data-part="${CSS.escape(part.dataset.part)}"]`);
}

function openAsBefore(old, part) {
  const taken = document.importNode(part, true);
  for (const one of old.querySelectorAll("details[open][id]")) {
    const same = taken.querySelector(`#${CSS.escape(one.id)}`);
    if (same) same.open = true;
  }
  return taken;
}

// What has the focus keeps it where it is put in anew under the same id.
function keepFocus() {
  const had = document.activeElement?.id;
  return () => {
    if (had && document.activeElement?.id !== had) document.getElementById(had)?.focus({ preventScroll: true });
  };
}
