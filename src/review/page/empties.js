/* The wall of empties: bursts in which the engine sees nothing, one small picture each. */
import { el, say } from "./dom.js";
import { thumb } from "./pane.js";
import { createRoving } from "./roving.js";
import * as store from "./store.js";
import { words } from "./words.js";

export function createEmpties(app) {
  const sum = el("p", { class: "sum" }), wall = el("div", { class: "tiles wall", role: "group", "aria-label": words.places.empties });
  const root = el("section", { class: "place", "aria-label": words.places.empties }, sum, el("p", { class: "hint" }, words.empties.hint), wall);
  const roving = createRoving(wall);
  let list = [];

  function tileOf(burst) {
    const caption = el("span", { class: "caption" });
    const tile = el("button", { type: "button", class: "tile", on: { click: () => roving.move(list.findIndex((i) => i.tile === tile)) } },
      thumb(burst.picture, burst.orientation || 1, ""), caption);
    tile.addEventListener("dblclick", () => recall());
    return { number: burst.burst, tile, caption };
  }

  function dress(item) {
    const burst = store.burstSummary(item.number);
    say(item.caption, words.empties.caption(burst));
    item.tile.classList.toggle("lifted", Boolean(burst.recalled));
    item.tile.setAttribute("aria-label", words.empties.spoken(burst));
  }

  function show() {
    list = store.session().bursts.filter((b) => b.empty || b.recalled).map(tileOf);
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
    const item = list[roving.at], burst = item && store.burstSummary(item.number);
    if (!burst) return;
    store.recall(burst, !burst.recalled);
    app.announce(words.empties.spoken(burst));
  }

  return {
    name: "empties", root, focus: () => roving.node || sum, show, hide() {}, update, recolour() {},
    actions: { earlier: () => roving.step(-1), later: () => roving.step(1), rowUp: () => roving.row(-1), rowDown: () => roving.row(1), recall,
      look: () => list[roving.at] && app.lookAtFrame(list[roving.at].number, null) },
  };
}
