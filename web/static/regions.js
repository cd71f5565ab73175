// Regions of a page that follow the stock: <section data-live="name">. They are replaced by the
// same regions of the page as the server makes it now; focus, scroll and opened details stay.

/** The change a page was made after; -1 when it does not say. */
const versionOf = (page) =>
  Number(page.querySelector('meta[name="seen-change"]')?.content || -1);

let seen = versionOf(document);
const asServed = new Map();

const regionsOf = (page) =>
  new Map([...page.querySelectorAll("[data-live]")].map((one) => [one.dataset.live, one]));

/** Words of a page without its regions and without what only this visit has put up (data-own). */
const wordsOf = (page) => {
  const main = page.querySelector("main")?.cloneNode(true);
  main?.querySelectorAll("[data-live], [data-own]").forEach((one) => one.remove());
  return main?.textContent.replace(/\s+/gu, " ") ?? "";
};

let servedWords = wordsOf(document);
regionsOf(document).forEach((region, name) => asServed.set(name, region.innerHTML));

/** The newest change this page shows. */
export const seenChange = () => seen;
export const noteSeen = (version) => {
  seen = Math.max(seen, version);
};

export const parsed = (html) => new DOMParser().parseFromString(html, "text/html");

/** Fetch a page by the page's own doing: it keeps no session alive. */
export const quietFetch = (url, headers = {}) =>
  fetch(url, {
    headers: { Accept: "text/html", "X-Unattended": "yes", ...headers },
    cache: "no-store",
    credentials: "same-origin",
  });

/** Tell what a fetched page would change here: names of regions, and whether anything else. */
export const differences = (page) => {
  const now = regionsOf(page);
  const names = [...asServed.keys()].filter(
    (name) => now.has(name) && now.get(name).innerHTML !== asServed.get(name),
  );
  const isGone = [...asServed.keys()].some((name) => !now.has(name));
  return { names, elsewhere: isGone || wordsOf(page) !== servedWords };
};

const anchorOf = () => {
  const inView = [...document.querySelectorAll("main [id]")].find(
    (one) => one.getBoundingClientRect().top >= 0,
  );
  return inView && { id: inView.id, top: inView.getBoundingClientRect().top };
};

const replaceOne = (region, fresh, name) => {
  const open = [...region.querySelectorAll("details[open][id]")].map((one) => one.id);
  const focused = region.contains(document.activeElement) ? document.activeElement.id : "";
  asServed.set(name, fresh.innerHTML);
  region.replaceChildren(...document.importNode(fresh, true).childNodes);
  open.forEach((id) => document.getElementById(id)?.setAttribute("open", ""));
  if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
};

/** Put the regions of a fetched page in, and note its version. */
export const takeRegions = (pageOrHtml, names = null) => {
  const page = typeof pageOrHtml === "string" ? parsed(pageOrHtml) : pageOrHtml;
  const anchor = anchorOf();
  const here = regionsOf(document);
  const fresh = regionsOf(page);
  for (const [name, region] of here) {
    if (fresh.has(name) && (names === null || names.includes(name)))
      replaceOne(region, fresh.get(name), name);
  }
  const again = anchor && document.getElementById(anchor.id);
  if (again) window.scrollBy(0, again.getBoundingClientRect().top - anchor.top);
  if (names === null) servedWords = wordsOf(page);
  noteSeen(versionOf(page));
  document.dispatchEvent(new CustomEvent("regions-taken"));
  return page;
};

/** Send a form as the browser would, and give the page that answers. */
export const sendForm = async (form, submitter = null) => {
  const data = new FormData(form, submitter);
  const isFile = form.enctype === "multipart/form-data";
  const answer = await fetch(form.getAttribute("action") ?? location.href, {
    method: form.method,
    body: isFile ? data : new URLSearchParams(data),
    headers: { Accept: "text/html" },
    credentials: "same-origin",
  });
  return {
    ok: answer.ok,
    status: answer.status,
    url: answer.url,
    html: await answer.text(),
  };
};

let voice = null;
/** Say something to who listens to the page, beside what is shown. */
export const announce = (text) => {
  if (voice === null) {
    voice = document.createElement("p");
    voice.className = "unseen";
    voice.setAttribute("aria-live", "polite");
    document.querySelector("main").append(voice);
  }
  voice.textContent = text;
};
