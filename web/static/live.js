// Tells an open page that something has changed, and refreshes its regions when nobody is at work
// in them. A stream while the page is seen; where it fails, a question now and then.

import { differences, noteSeen, parsed, quietFetch, seenChange, takeRegions } from "./regions.js";

const CALM_MS = 1000; // No pointer has moved for so long.
const BETWEEN_MS = 4000; // Between two refreshes of one page.
const POLL_MS = 15000;
const FAILURES = 3; // Broken streams in a row before asking now and then.

const banner = document.getElementById("live");
const canReload = banner?.dataset.reload === "yes";

let source = null;
let poll = 0;
let failures = 0;
let told = seenChange();
let lastRefresh = 0;
let pending = 0;
let pointerDown = false;
let lastPointer = 0;

const say = (text, action = null) => {
  const line = document.createElement("p");
  const shape = document.createElement("span");
  shape.setAttribute("aria-hidden", "true");
  shape.textContent = "◐";
  line.append(shape, ` ${text}`);
  if (action) line.append(action);
  banner.replaceChildren(line);
};

const button = (text, act) => {
  const made = document.createElement("button");
  made.type = "button";
  made.className = "quiet";
  made.textContent = text;
  made.addEventListener("click", act);
  return made;
};

const linkTo = (href, text) => {
  const made = document.createElement("a");
  made.href = href;
  made.className = "back";
  made.textContent = text;
  return made;
};

// Where the hands are.

const movePointer = () => {
  lastPointer = performance.now();
};
for (const name of ["pointermove", "wheel", "scroll"])
  addEventListener(name, movePointer, { passive: true, capture: true });
addEventListener("pointerdown", () => {
  pointerDown = true;
  movePointer();
}, { capture: true });
const liftPointer = () => {
  pointerDown = false;
  movePointer();
};
for (const name of ["pointerup", "pointercancel"])
  addEventListener(name, liftPointer, { capture: true });
// Of the window only: a pointer that goes down takes the focus from somewhere.
addEventListener("blur", liftPointer);

const isCalm = () => !pointerDown && performance.now() - lastPointer >= CALM_MS;

const isAtWorkIn = (names) =>
  names.some((name) =>
    document.querySelector(`[data-live="${CSS.escape(name)}"]`)?.contains(document.activeElement),
  );

// Showing a change.

// What somebody did here has brought the page up to date.
document.addEventListener("regions-taken", () => {
  if (seenChange() >= told) banner?.replaceChildren();
});

const settle = (page, names, clock, elsewhere) => {
  takeRegions(page, names);
  if (elsewhere) sayMore(clock);
  else say(`Stock changed at ${clock}. This page shows it now.`);
};

const sayMore = (clock) =>
  say(`Stock changed at ${clock}.`, canReload ? linkTo(location.href, "Show it") : null);

const showWhenCalm = (page, names, clock, elsewhere, version) => {
  const show = () => {
    if (told === version) settle(page, names, clock, elsewhere);
  };
  say(`Stock changed at ${clock}.`, button("Show it", show));
  const wait = () => {
    if (told !== version || seenChange() >= version) return;
    if (isCalm() && !isAtWorkIn(names)) show();
    else setTimeout(wait, 250);
  };
  setTimeout(wait, 250);
};

const refresh = async (version, clock) => {
  lastRefresh = performance.now();
  if (!canReload) {
    sayMore(clock);
    return;
  }
  const answer = await quietFetch(location.href);
  const isOut = new URL(answer.url).pathname === "/sign-in";
  if (isOut) {
    signedOut();
    return;
  }
  if (!answer.ok) {
    sayMore(clock);
    return;
  }
  const page = parsed(await answer.text());
  if (version !== told || seenChange() >= version) return;
  const { names, elsewhere } = differences(page);
  if (names.length === 0 && !elsewhere) noteSeen(version);
  else if (names.length === 0) sayMore(clock);
  else if (isCalm() && !isAtWorkIn(names)) settle(page, names, clock, elsewhere);
  else showWhenCalm(page, names, clock, elsewhere, version);
};

const hear = ({ version, clock }) => {
  if (seenChange() < 0) noteSeen(version);
  if (version <= seenChange() || version <= told) return;
  told = version;
  clearTimeout(pending);
  const soonest = lastRefresh ? lastRefresh + BETWEEN_MS - performance.now() : 0;
  pending = setTimeout(
    () => refresh(version, clock).catch(() => sayMore(clock)),
    Math.max(300, soonest),
  );
};

const signedOut = () => {
  stop();
  const here = encodeURIComponent(location.pathname);
  say("You are signed out.", linkTo(`/sign-in?next=${here}`, "Sign in again"));
};

// The stream, and asking now and then.

const askNow = async () => {
  const answer = await fetch("/live/version", {
    headers: { Accept: "application/json", "If-None-Match": `"${Math.max(told, seenChange())}"` },
    cache: "no-store",
  });
  if (answer.status === 401) signedOut();
  else if (answer.ok) hear(await answer.json());
};

const pollOn = () => {
  if (poll) return;
  // A service that is away for a moment is asked again; the page stays as it is meanwhile.
  poll = setInterval(() => askNow().catch(() => {}), POLL_MS);
};

const stop = () => {
  source?.close();
  source = null;
  clearInterval(poll);
  poll = 0;
};

const start = () => {
  if (source || poll) return;
  if (!("EventSource" in window)) {
    pollOn();
    return;
  }
  source = new EventSource("/live");
  source.onopen = () => {
    failures = 0;
  };
  source.onmessage = (event) => hear(JSON.parse(event.data));
  source.addEventListener("signed-out", signedOut);
  source.addEventListener("leave", () => {
    stop();
    pollOn();
  });
  source.onerror = () => {
    failures += 1;
    if (source?.readyState === EventSource.CLOSED || failures >= FAILURES) {
      stop();
      pollOn();
    }
  };
};

if (banner) {
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) stop();
    else start();
  });
  addEventListener("pagehide", stop);
  addEventListener("pageshow", () => {
    if (!document.hidden) start();
  });
}
