/* The wall of empties: bursts in which the engine sees nothing, one small picture each. */
import { el, say } from "./dom.js";
import { keySign } from "./keys.js";
import { thumb, whenNear } from "./pane.js";
import { createRoving } from "./roving.js";
import * as store from "./store.js";
import { words } from "./words.js";

export function createEmpties(app) {
  const sum = el("p", { class: "sum" }),
    wall = el("div", { class: "tiles wall", role: "group", "aria-label": words.places.empties });
  const hint = el("p", { class: "hint" });
  const root = el("section", { class: "place", "aria-label": words.places.empties }, sum, hint, wall);
  const roving = createRoving(wall);
  let list = [];

  function tileOf(burst) {
    const caption = el("span", { class: "caption" }),
      more = el("span", { class: "unseen" }),
      place = el("div", { class: "thumb" });
    const tile = el(
      "button",
      { type: "button", class: "tile", on: { click: () => roving.move(list.findIndex((i) => i.tile === tile)) } },
      place,
      caption,
      more,
    );
    if (burst.picture) place.replaceWith(thumb(burst.picture, burst.orientation || 1));
    else whenNear(tile, () => middleOf(burst.burst).then((f) => f && place.replaceWith(thumb(f.id, f.orientation))));
    tile.addEventListener("dblclick", () => recall());
    return { number: burst.burst, tile, caption, more };
  }

  async function middleOf(number) {
    const detail = await store.burst(number).catch(() => null);
    return detail?.frames[detail.frames.length >> 1];
  }

  function dress(item) {
    const burst = store.burstSummary(item.number);
    say(item.caption, words.empties.caption(burst));
    item.tile.classList.toggle("lifted", Boolean(burst.recalled));
    item.tile.classList.toggle("fallen", !burst.recalled && burst.eyes === 0);
    say(item.more, words.empties.more(burst));
  }

  function show() {
    say(hint, words.empties.hint(keySign("empties", "recall"), keySign("empties", "rejectBurst")));
    list = store
      .session()
      .bursts.filter((b) => store.isEmpty(b) || b.recalled)
      .map(tileOf);
    wall.replaceChildren(...list.map((item) => item.tile));
    update();
    roving.set(list.map((item) => item.tile));
  }

  function update() {
    list.forEach(dress);
    const back = list.filter((item) => store.burstSummary(item.number).recalled).length;
    say(sum, words.empties.sum(list.length, back));
  }

  function recall() {
    const item = list[roving.at],
      burst = item && store.burstSummary(item.number);
    if (!burst) return;
    store.recall(burst, !burst.recalled);
    app.announce(words.empties.caption(burst) + words.empties.more(burst));
  }

  /* Nothing is in it: all its frames go. */
  async function rejectBurst() {
    const item = list[roving.at],
      detail = item && (await store.burst(item.number).catch(() => null));
    if (!detail) return;
    const frames = detail.frames.filter((f) => f.decision !== "reject");
    if (frames.length) store.decide(detail, frames, "reject");
    app.announce(words.pass.allRejected(detail.frames.length));
    roving.step(1);
  }

  return {
    name: "empties",
    root,
    focus: () => roving.node || sum,
    show,
    hide() {},
    update,
    recolour() {},
    actions: {
      earlier: () => roving.step(-1),
      later: () => roving.step(1),
      rowUp: () => roving.row(-1),
      rowDown: () => roving.row(1),
      recall,
      rejectBurst,
      look: () => list[roving.at] && app.lookAtFrame(list[roving.at].number, null),
    },
  };
}
