/* Keys: which key does what, and how a person changes that. */
import * as api from "./api.js";

/* Every act that has a key, by the place where it works. */
export const acts = {
  everywhere: {
    hours: "1",
    pass: "2",
    eyes: "3",
    empties: "4",
    shortlist: "5",
    areas: "6",
    after: "7",
    takeBack: "Backspace",
    help: "?",
  },
  hours: {
    earlier: "ArrowLeft",
    later: "ArrowRight",
    first: "Home",
    last: "End",
    look: "Enter",
    nearer: "+",
    farther: "-",
    order: "m",
    back10: "PageUp",
    on10: "PageDown",
  },
  pass: {
    earlier: "ArrowLeft",
    later: "ArrowRight",
    keep: "ArrowUp",
    reject: "ArrowDown",
    goOn: "Enter",
    proposal: "c",
    rejectBurst: "n",
    best: "b",
    first: "Home",
    last: "End",
    nextPass: "PageDown",
    lastPass: "PageUp",
    sharpSet: "s",
    flicker: "f",
    hold: "h",
    play: "Space",
    whole: "w",
    nearer: "+",
    farther: "-",
    panLeft: "Shift+ArrowLeft",
    panRight: "Shift+ArrowRight",
    panUp: "Shift+ArrowUp",
    panDown: "Shift+ArrowDown",
  },
  eyes: {
    earlier: "ArrowLeft",
    later: "ArrowRight",
    keep: "ArrowUp",
    reject: "ArrowDown",
    proposal: "c",
    look: "Enter",
  },
  empties: {
    earlier: "ArrowLeft",
    later: "ArrowRight",
    rowUp: "ArrowUp",
    rowDown: "ArrowDown",
    recall: "r",
    rejectBurst: "n",
    look: "Enter",
  },
  shortlist: {
    earlier: "ArrowLeft",
    later: "ArrowRight",
    stepUp: "ArrowUp",
    stepDown: "ArrowDown",
    leave: "Enter",
    look: "l",
    only: "o",
    nearer: "+",
    farther: "-",
  },
  areas: {},
  after: { copy: "Enter" },
};

let changedKeys = {}; // "pass.keep" -> key
let settings = {};

export async function loadSettings() {
  settings = (await api.get("api/settings").catch(() => ({}))).settings || {};
  changedKeys = settings.keys || {};
  return settings;
}

/* What a person set up is kept by the engine: the page's address differs with every run. */
export function saveSettings(change) {
  settings = { ...settings, ...change };
  return api.post("api/settings", { settings }).catch(() => {});
}

export function keyOf(place, act) {
  return changedKeys[`${place}.${act}`] ?? acts[place][act];
}

/* The act that already has the key where it would have to work, else null. */
export function holder(place, key) {
  const places = place === "everywhere" ? Object.keys(acts) : ["everywhere", place];
  for (const p of places) for (const act of Object.keys(acts[p])) if (keyOf(p, act) === key) return [p, act];
  return null;
}

export function bind(place, act, key) {
  changedKeys = { ...changedKeys, [`${place}.${act}`]: key };
  return saveSettings({ keys: changedKeys });
}

export function unbindAll() {
  changedKeys = {};
  return saveSettings({ keys: {} });
}

/* "Shift+ArrowLeft", "a", "Space", "?". Shift counts only where it does not already make another sign. */
export function nameOf(event) {
  const key = event.key === " " ? "Space" : event.key;
  return event.shiftKey && key.length > 1 ? `Shift+${key}` : key.length === 1 ? key.toLowerCase() : key;
}

export function actFor(place, event) {
  const key = nameOf(event);
  for (const p of [place, "everywhere"])
    for (const act of Object.keys(acts[p])) if (keyOf(p, act) === key) return [p, act];
  return null;
}

const signs = { ArrowLeft: "←", ArrowRight: "→", ArrowUp: "↑", ArrowDown: "↓", Backspace: "⌫" };

/* A key as it stands on the page. */
export function keySign(place, act) {
  return (
    keyOf(place, act)
      .split("+")
      .map((part) => signs[part] || part)
      .join(" ")
      .trim() || "+"
  );
}
