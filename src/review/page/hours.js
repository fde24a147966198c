/* The place of the line of hours: the session at a glance, and the best frame of the pass one points at. */
import { el, button, say, calm } from "./dom.js";
import { passMark } from "./marks.js";
import { placeByPromise, placeInTime } from "./timeline.js";
import { passes, setOrder, store, burst as loadBurst, known, nextOpen, indexOf } from "./store.js";
import { keySign } from "./keys.js";
import { createLine } from "./line.js";
import { Pane } from "./pane.js";
import { words } from "./words.js";

const samePass = (a, b) => a.burst.burst === b.burst.burst && a.pass.pass === b.pass.pass;
const NEARER = 1.6;

export function createHours(app) {
  const line = createLine(describe, () => open());
  const pane = new Pane(words.hours.preview);
  pane.fill = 0.92;
  const title = el("h2"),
    facts = el("p", { class: "facts" }),
    verdict = el("p"),
    sum = el("p", { class: "sum" });
  const look = button("", () => open(), { class: "main" }),
    goOn = button("", resume),
    order = button("", reorder);
  const legend = el("p", { class: "legend" });
  for (const shape of ["open", "part", "stays", "goes"])
    legend.append(el("span", {}, passMark(shape), ` ${words.hours.shapes[shape]}`));
  const zooms = [
    button("−", () => line.zoomBy(1 / NEARER), { "aria-label": words.hours.farther }),
    button("+", () => line.zoomBy(NEARER), { "aria-label": words.hours.nearer }),
  ];
  const root = el(
    "section",
    { class: "place hours", "aria-label": words.places.hours },
    sum,
    line.root,
    el("div", { class: "row spread" }, legend, el("span", { class: "row" }, order, ...zooms)),
    el(
      "div",
      { class: "preview" },
      pane.root,
      el("div", {}, title, facts, verdict, el("p", { class: "row" }, look, goOn)),
    ),
  );
  let wanted = 0;

  /* The pass under the cursor, else the one that has the focus. */
  function describe() {
    const shown = line.shown();
    pane.root.hidden = look.hidden = goOn.hidden = !shown;
    if (!shown) return (say(title, words.hours.none(store.session)), say(facts, ""), say(verdict, ""));
    say(title, words.hours.title(shown));
    say(facts, words.hours.facts(shown));
    say(verdict, words.hours.verdict(shown));
    line.speak(words.hours.spoken(line.focused(), line.at() + 1, line.size()));
    pane.showSmall(shown.pass.best);
    clearTimeout(wanted);
    wanted = setTimeout(() => showBest(shown), known(shown.burst.burst) ? 0 : 60);
  }

  async function showBest(shown) {
    const detail = await loadBurst(shown.burst.burst).catch(() => null);
    const frame = detail?.frames.find((f) => f.id === shown.pass.best);
    if (frame && samePass(line.shown(), shown)) pane.showFrame(detail, frame, shown.pass.pass);
  }

  function open() {
    const shown = line.shown();
    if (shown) app.lookAt(shown);
  }

  /* Where one looks, if that is open, else the next open pass. */
  function nextHere() {
    const here = line.focused();
    return nextOpen(here ? indexOf(here.burst.burst, here.pass.pass) - 1 : -1);
  }

  function resume() {
    const next = nextHere();
    if (next) app.lookAt(next);
    else app.go("after");
  }

  function lay() {
    const promise = store.order === "promise";
    line.show(promise ? placeByPromise(passes()) : placeInTime(passes()), samePass);
    say(sum, words.hours.sum(store.session));
    look.replaceChildren(words.hours.look, el("kbd", {}, keySign("hours", "look")));
    order.replaceChildren(
      promise ? words.hours.byTime : words.hours.byPromise,
      el("kbd", {}, keySign("hours", "order")),
    );
    goOn.textContent = nextHere() ? words.hours.resume : words.hours.allJudged;
    describe();
  }

  /* The marks fade into their new order, unless the person asked for calm. */
  function reorder() {
    setOrder(store.order === "promise" ? "time" : "promise");
    line.move(line.at());
    if (!calm.matches) line.root.animate([{ opacity: 0.2 }, { opacity: 1 }], { duration: 220 });
  }

  const by = (d) => () => line.move(line.at() + d);
  return {
    name: "hours",
    root,
    focus: () => line.root,
    show({ burst, pass } = {}) {
      lay();
      line.move(burst ? line.find((p) => p.burst.burst === burst && p.pass.pass === pass) : line.at());
    },
    hide() {},
    update(kind) {
      if (kind !== "connection") lay();
    },
    recolour: line.recolour,
    here: line.focused,
    actions: {
      earlier: by(-1),
      later: by(1),
      back10: by(-10),
      on10: by(10),
      first: () => line.move(0),
      last: () => line.move(line.size() - 1),
      nearer: () => line.zoomBy(NEARER),
      farther: () => line.zoomBy(1 / NEARER),
      order: reorder,
      look: open,
    },
  };
}
