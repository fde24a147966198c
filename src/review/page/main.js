/* The start of the page: its places, its header, keys and the address. */
import { el, button, say } from "./dom.js";
import { get } from "./api.js";
import { actFor, keySign, loadSettings } from "./keys.js";
import * as store from "./store.js";
import { createHours } from "./hours.js";
import { createPass } from "./pass.js";
import { createEyes } from "./eyes.js";
import { createEmpties } from "./empties.js";
import { createShortlist } from "./shortlist.js";
import { createAreas } from "./areas.js";
import { createAfter } from "./after.js";
import { createHelp } from "./help.js";
import { words } from "./words.js";

const live = el("p", { class: "live", role: "status", "aria-live": "polite" });
const alarm = el("p", { class: "alarm", role: "alert", hidden: true });
const app = { go, lookAt, lookAtFrame, announce, act, progress, refocus, setTheme, theme, keysChanged };
const views = {},
  links = {};
let current = null,
  ready = Promise.resolve(),
  undoing = Promise.resolve();

/* ---- where one is ----------------------------------------------------------- */

function go(place, ...rest) {
  history.pushState(null, "", `#${[place, ...rest].join("/")}`);
  route();
}

function lookAt({ burst, pass }) {
  go("pass", burst.burst, pass.pass);
}

/* A frame by its id, also where it belongs to no pass; null = the burst. */
function lookAtFrame(burst, frame) {
  go("pass", burst, frame?.pass || 0, ...(frame ? [frame.id] : []));
}

function route() {
  const [place, ...numbers] = location.hash.slice(1).split("/"),
    [burst, pass, frame] = numbers.map(Number);
  const view = views[place] || views.hours;
  if (current && current !== view) {
    current.hide();
    current.root.hidden = true;
  }
  const moved = current !== view;
  current = view;
  view.root.hidden = false;
  document.title = words.title(store.store.session.name, words.places[view.name]);
  for (const [name, link] of Object.entries(links))
    name === view.name ? link.setAttribute("aria-current", "page") : link.removeAttribute("aria-current");
  ready = Promise.resolve(view.show({ burst, pass, frame })).catch((problem) =>
    announce(words.refused(problem.message), true),
  );
  if (moved)
    ready.then(() => {
      scrollTo(0, 0);
      refocus();
    });
}

function refocus() {
  const node = current.focus();
  if (node && node.tabIndex < 0 && !node.hasAttribute("tabindex")) node.tabIndex = -1;
  node?.focus({ preventScroll: true });
}

/* ---- what is said ----------------------------------------------------------- */

let quiet = 0;

function announce(text, loud = false) {
  say(live, text);
  if (!loud) return;
  live.classList.add("seen-too");
  clearTimeout(quiet);
  quiet = setTimeout(() => live.classList.remove("seen-too"), 6000);
}

const bar = el("span"),
  counts = el("span"),
  meter = el(
    "div",
    { class: "progress", role: "progressbar", "aria-label": words.progress.label, "aria-valuemin": 0 },
    bar,
  );
const measuring = el("p", { class: "measuring", hidden: true });

function progress() {
  const list = store.passes(),
    done = list.filter((p) => p.pass.judged === "yes").length,
    { measuring: m, bursts } = store.session();
  bar.style.setProperty("width", `${list.length ? (100 * done) / list.length : 0}%`);
  meter.setAttribute("aria-valuemax", String(list.length));
  meter.setAttribute("aria-valuenow", String(done));
  meter.setAttribute("aria-valuetext", words.progress.spoken(done, list.length));
  say(counts, words.progress.short(done, list.length));
  measuring.hidden = !m?.running;
  say(measuring, m?.running ? words.progress.measuring(m) : "");
  const sum = (of) => bursts.reduce((total, b) => total + of(b), 0);
  const badge = { eyes: sum((b) => (store.isEmpty(b) ? 0 : b.eyes)), empties: sum((b) => (store.isEmpty(b) ? 1 : 0)) };
  for (const [name, n] of Object.entries(badge)) say(links[name].lastChild, n ? ` ${n}` : "");
}

/* ---- acts that work everywhere ---------------------------------------------- */

const everywhere = {
  help: () => help.open(),
  takeBack: () => {
    undoing = undoing.then(takeBack, takeBack);
  },
};

async function takeBack() {
  const done = await store.takeBack();
  if (!done) return;
  announce(done.undone ? words.undone(done.undone, done.frames) : words.nothingToUndo, true);
  if (!done.undone || ["eyes", "shortlist", "empties", "areas"].includes(current.name)) return;
  const here = current.here?.(),
    pass = done.pass || 0;
  if (done.burst && (current.name !== "pass" || here?.burst !== done.burst || (pass && here.pass !== pass)))
    go("pass", done.burst, pass, ...(done.frame ? [done.frame] : []));
}

function act(name) {
  if (everywhere[name]) everywhere[name]();
  else go(name);
}

/* Keys that a focused control has of its own are left to it. */
function ownKey(event) {
  const node = event.target;
  if (node.matches("input, textarea, select")) return true;
  return node.matches("button, a") && !node.matches(".tile") && (event.key === "Enter" || event.key === " ");
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || help.root.open || !current || ownKey(event)) return;
  const found = actFor(current.name, event);
  if (!found) return;
  event.preventDefault();
  if (event.repeat && ["goOn", "rejectBurst", "takeBack", "recall"].includes(found[1])) return;
  const [place, name] = found;
  if (place === "everywhere") return act(name);
  const view = current;
  ready = ready.then(() => current === view && view.actions[name]?.());
});

/* ---- looks ------------------------------------------------------------------ */

function theme() {
  return document.documentElement.dataset.theme || "auto";
}

function setTheme(name) {
  document.documentElement.dataset.theme = name;
  for (const view of Object.values(views)) view.recolour();
}

matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => setTheme(theme()));

function keysChanged() {
  labelLinks();
  current.update("keys");
}

/* ---- start ------------------------------------------------------------------ */

const help = createHelp(app);
const PLACES = ["hours", "pass", "eyes", "empties", "shortlist", "areas", "after"];

function header() {
  const nav = el("nav", { "aria-label": words.places.all });
  for (const name of PLACES) {
    links[name] = el("a", { href: `#${name}` }, el("span"), el("kbd"), el("span", { class: "count" }));
    nav.append(links[name]);
  }
  labelLinks();
  return el(
    "header",
    {},
    el("h1", {}, store.session().name),
    nav,
    el("div", { class: "row" }, meter, counts, helpButton),
  );
}

const helpButton = button("", () => help.open());

function labelLinks() {
  for (const name of PLACES) {
    links[name].children[0].textContent = words.places[name];
    links[name].children[1].textContent = keySign("everywhere", name);
  }
  helpButton.replaceChildren(words.help.title, el("kbd", {}, keySign("everywhere", "help")));
}

function warn() {
  const text = store.store.lost ? words.lost : store.session().read_only ? words.readOnly : "";
  alarm.hidden = !text;
  say(alarm, text);
}

function changed(kind, burst) {
  if (kind === "connection") warn();
  else progress();
  if (kind === "refused") announce(words.refused(store.store.trouble), true);
  current?.update(kind, burst);
}

async function start() {
  try {
    const place = get("api/place").catch(() => ({}));
    const [settings] = await Promise.all([loadSettings(), store.loadSession()]);
    document.documentElement.dataset.theme = settings.theme || "auto";
    document.querySelector("noscript").remove();
    const make = {
      hours: createHours,
      pass: createPass,
      eyes: createEyes,
      empties: createEmpties,
      shortlist: createShortlist,
      areas: createAreas,
      after: createAfter,
    };
    for (const name of PLACES) views[name] = make[name](app);
    for (const view of Object.values(views)) view.root.hidden = true;
    document.body.append(
      header(),
      measuring,
      alarm,
      el("main", {}, ...Object.values(views).map((v) => v.root)),
      live,
      help.root,
    );
    progress();
    warn();
    store.listen(changed);
    store.stayInStep();
    const left = await place; // where one left off the last time
    if (!location.hash && left.burst) history.replaceState(null, "", `#hours/${left.burst}/${left.pass}`);
    route();
    await ready;
    performance.mark("chaffinch: ready");
  } catch (problem) {
    document.body.append(el("p", { role: "alert" }, words.noStart(problem.message)));
  }
}

addEventListener("popstate", () => current && route());
start();
