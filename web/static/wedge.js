// A scanner that types like a keyboard: its characters are caught wherever the focus is, with the
// separator (U+001D) that no field would keep, until Enter or Tab.

const SEPARATOR = "\u001d";
const LONGEST_GAP_MS = 250; // A longer pause begins a new code.
const MEAN_GAP_MS = 50; // Nobody types faster than this; scanners do.
const SHORTEST = 6; // Fewer characters are somebody's fast fingers.
const REPEAT_MS = 800; // The same code again within this is the trigger held down.
const SILENCE_MS = 700; // A burst without an end.

/** The key that stands for the separator on this computer, beside Ctrl+]. */
export const separatorKey = () => localStorage.getItem("separator-key") ?? "";
export const keepSeparatorKey = (key) => localStorage.setItem("separator-key", key);

const isSeparator = (event) =>
  event.key === SEPARATOR ||
  (separatorKey() !== "" && event.key === separatorKey()) ||
  (event.ctrlKey && !event.altKey && (event.key === "]" || event.code === "BracketRight"));

const isCharacter = (event) =>
  event.key.length === 1 &&
  !event.metaKey &&
  ((!event.ctrlKey && !event.altKey) || event.getModifierState("AltGraph"));

const fieldWithFocus = () => {
  const one = document.activeElement;
  return one?.matches("input:not([type=checkbox], [type=radio], [type=hidden]), textarea") ? one : null;
};

/**
 * Hand every scanned code on.
 *
 * onCode(code, how): how.endedBy is Enter, Tab or nothing; how.capsLock; how.wasScanned.
 * field: where a code may also be typed by hand; its keys are kept however slow they come, so that
 *   a separator typed into it is not lost. It is handed on at Enter, too.
 * onRepeat(code): the same code came again at once and is ignored.
 * silent: also hand on a burst that nothing ended.
 */
export const listenToWedge = (onCode, { field = null, onRepeat = () => {}, silent = false } = {}) => {
  let keys = [];
  let began = 0;
  let last = 0;
  let capsLock = false;
  let home = null;
  let homeValue = "";
  let timer = 0;
  let former = { code: "", at: -Infinity };

  const clear = () => {
    keys = [];
    home = null;
    clearTimeout(timer);
  };

  const isBurst = () =>
    keys.length >= SHORTEST && (last - began) / (keys.length - 1) <= MEAN_GAP_MS;

  const putBack = () => {
    if (home) home.value = homeValue;
  };

  const deliver = (code, how, at) => {
    clear();
    if (code === former.code && at - former.at < REPEAT_MS) {
      former = { code, at };
      onRepeat(code);
      return;
    }
    former = { code, at };
    onCode(code, how);
  };

  const end = (event) => {
    const typed = field !== null && document.activeElement === field && event.key === "Enter";
    if (isBurst()) {
      const code = keys.join("");
      event.preventDefault();
      event.stopPropagation();
      putBack();
      deliver(code, { endedBy: event.key, capsLock, wasScanned: true }, event.timeStamp);
    } else if (typed && field.value !== "") {
      const kept = keys.join("");
      const code = kept.replaceAll(SEPARATOR, "") === field.value ? kept : field.value;
      event.preventDefault();
      field.value = "";
      deliver(code, { endedBy: event.key, capsLock, wasScanned: false }, event.timeStamp);
    } else clear();
  };

  const add = (character, event) => {
    const isSlow = event.timeStamp - last > LONGEST_GAP_MS;
    if (isSlow && !(field !== null && document.activeElement === field)) clear();
    if (keys.length === 0) {
      began = event.timeStamp;
      home = fieldWithFocus();
      homeValue = home?.value ?? "";
    }
    keys.push(character);
    last = event.timeStamp;
    capsLock = event.getModifierState("CapsLock");
    clearTimeout(timer);
    if (silent)
      timer = setTimeout(() => {
        if (!isBurst()) return;
        const code = keys.join("");
        putBack();
        deliver(code, { endedBy: "nothing", capsLock, wasScanned: true }, event.timeStamp);
      }, SILENCE_MS);
  };

  addEventListener(
    "keydown",
    (event) => {
      if (event.isComposing) return;
      if (event.key === "Enter" || event.key === "Tab") end(event);
      else if (isSeparator(event)) {
        event.preventDefault();
        add(SEPARATOR, event);
      } else if (event.key === "Backspace") clear();
      else if (isCharacter(event)) {
        // A blank would press the button that has the focus.
        if (event.key === " " && keys.length > 2 && home === null) event.preventDefault();
        add(event.key, event);
      }
    },
    { capture: true },
  );
};
