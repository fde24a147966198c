/* For your eyes: the frames on which the engine proposes nothing. */
import { el, say } from "./dom.js";
import { outcomeMark, settled } from "./marks.js";
import { thumb } from "./pane.js";
import { createRoving } from "./roving.js";
import * as store from "./store.js";
import { words } from "./words.js";

export function createEyes(app) {
  const sum = el("p", { class: "sum" }),
    wall = el("div", { class: "tiles eyes", role: "group", "aria-label": words.places.eyes });
  const root = el(
    "section",
    { class: "place", "aria-label": words.places.eyes },
    sum,
    el("p", { class: "hint" }, words.eyes.hint),
    wall,
  );
  const roving = createRoving(wall);
  let list = [],
    showing = 0; // [{ detail, frame, tile, mark, text }]

  function tileOf(detail, frame) {
    const mark = el("span", { class: "mark-place" }),
      text = el("span"),
      more = el("span", { class: "unseen" });
    const picture =
      frame.state === "measured"
        ? thumb(frame.id, frame.orientation)
        : el("div", { class: "no-picture" }, frame.cause || words.reasons.none);
    const tile = el(
      "button",
      { type: "button", class: "tile", on: { click: () => look(tile) } },
      picture,
      el("span", { class: "caption" }, mark, text, more),
    );
    return { number: detail.burst, id: frame.id, tile, mark, text, more };
  }

  const frameOf = (item) => store.known(item.number).frames.find((f) => f.id === item.id);

  function dress(item) {
    const frame = frameOf(item);
    item.mark.replaceChildren(outcomeMark(frame.outcome, settled(frame)));
    say(item.text, words.eyes.caption(item.number, frame));
    say(item.more, words.eyes.more(frame));
  }

  function counted() {
    const open = list.filter((item) => frameOf(item).outcome === "none").length;
    say(sum, words.eyes.sum(open, list.length));
  }

  async function gather() {
    const run = ++showing,
      bursts = store.session().bursts.filter((b) => b.eyes > 0 && !store.isEmpty(b));
    list = [];
    wall.replaceChildren();
    for (const { burst } of bursts) {
      const detail = await store.burst(burst).catch(() => null);
      if (run !== showing) return;
      for (const frame of detail?.frames || []) if (frame.outcome === "none") list.push(tileOf(detail, frame));
    }
    wall.append(...list.map((item) => item.tile));
    list.forEach(dress);
    roving.set(list.map((item) => item.tile));
    counted();
    if (document.activeElement === document.body || document.activeElement === sum) roving.node?.focus();
  }

  function look(tile) {
    const item = list.find((i) => i.tile === tile) || list[roving.at];
    if (item) app.lookAtFrame(item.number, frameOf(item));
  }

  function decide(decision) {
    const item = list[roving.at];
    if (!item) return;
    store.decide(store.known(item.number), [frameOf(item)], decision);
    app.announce(words.pass.state(frameOf(item)));
    if (decision) roving.step(1);
  }

  return {
    name: "eyes",
    root,
    focus: () => roving.node || sum,
    show: gather,
    hide() {
      showing++;
    },
    update(kind) {
      if (kind !== "burst" && kind !== "undone") return;
      list.forEach(dress);
      counted();
    },
    recolour() {},
    actions: {
      earlier: () => roving.step(-1),
      later: () => roving.step(1),
      keep: () => decide("keep"),
      reject: () => decide("reject"),
      proposal: () => decide(""),
      look: () => look(),
    },
  };
}
