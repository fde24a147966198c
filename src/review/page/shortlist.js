/* The second round: all keepers of the session side by side, every subject at one size. One step up, or leave. */
import { el, button, say } from "./dom.js";
import { get } from "./api.js";
import { keySign } from "./keys.js";
import { Pane, whenNear } from "./pane.js";
import { createRoving } from "./roving.js";
import * as store from "./store.js";
import { words } from "./words.js";

const SIZES_REM = [9, 12, 16, 22, 30];

export function createShortlist(app) {
  const sum = el("p", { class: "sum" }),
    wall = el("div", { class: "tiles keepers", role: "group", "aria-label": words.places.shortlist });
  const only = button("", () => view.actions.only(), { "aria-pressed": "false" });
  const root = el(
    "section",
    { class: "place", "aria-label": words.places.shortlist },
    sum,
    el(
      "div",
      { class: "row spread" },
      el("p", { class: "hint" }, words.shortlist.hint),
      el(
        "span",
        { class: "row" },
        only,
        button("−", () => resize(-1), { "aria-label": words.shortlist.smaller }),
        button("+", () => resize(1), { "aria-label": words.shortlist.larger }),
      ),
    ),
    wall,
  );
  const roving = createRoving(wall);
  let list = [],
    size = 2,
    onlyUp = false;

  /* A keeper as a pane takes it: a frame with one subject, alone in its burst. */
  function frameOf(keeper) {
    const box = keeper.box,
      frame = { state: "measured", subjects: [], ...keeper };
    if (box) frame.subjects.push({ pass: keeper.pass, x: box[0], y: box[1], w: box[2], h: box[3], heading: null });
    return frame;
  }

  function tileOf(keeper) {
    const pane = new Pane(""),
      caption = el("span", { class: "caption" }),
      more = el("span", { class: "unseen" }, words.shortlist.more(keeper)),
      frame = frameOf(keeper);
    pane.fill = 0.74;
    pane.most = 4;
    pane.ticks = false;
    const tile = el(
      "button",
      { type: "button", class: "tile", on: { click: () => tap(tile) } },
      pane.root,
      caption,
      more,
    );
    whenNear(tile, () => pane.showFrame({ frames: [frame] }, frame, keeper.pass));
    return { keeper, tile, caption };
  }

  function dress({ keeper, tile, caption }) {
    tile.classList.toggle("lifted", keeper.shortlist);
    tile.setAttribute("aria-pressed", String(keeper.shortlist));
    say(caption, words.shortlist.caption(keeper));
  }

  async function show() {
    const keepers = (await get("api/shortlist").catch(() => ({ frames: [] }))).frames;
    const same = keepers.length === list.length && keepers.every((k, i) => k.id === list[i].keeper.id);
    if (same)
      keepers.forEach((k, i) => {
        list[i].keeper.shortlist = k.shortlist;
      });
    else list = keepers.map(tileOf);
    render(!same);
  }

  const shown = () => list.filter(({ keeper }) => !onlyUp || keeper.shortlist);

  function render(anew) {
    list.forEach(dress);
    say(sum, words.shortlist.sum(list.filter((i) => i.keeper.shortlist).length, list.length));
    only.replaceChildren(words.shortlist.only, el("kbd", {}, keySign("shortlist", "only")));
    only.setAttribute("aria-pressed", String(onlyUp));
    if (!anew) return;
    wall.replaceChildren(...shown().map((i) => i.tile));
    roving.set(shown().map((i) => i.tile));
  }

  function resize(d) {
    size = Math.max(0, Math.min(SIZES_REM.length - 1, size + d));
    wall.style.setProperty("--tile", `${SIZES_REM[size]}rem`);
  }

  function step(on) {
    const item = shown()[roving.at];
    if (!item) return;
    if (item.keeper.shortlist !== on) store.setShortlist(item.keeper, on);
    render(false);
    app.announce(words.shortlist.spoken(item.keeper));
    if (!onlyUp) roving.step(1);
  }

  /* A touch first chooses a tile; on the chosen one it is the step up or down. */
  function tap(tile) {
    const i = shown().findIndex((item) => item.tile === tile);
    roving.move(i);
    step(!shown()[i].keeper.shortlist);
  }

  const view = {
    name: "shortlist",
    root,
    focus: () => roving.node || sum,
    show,
    hide() {},
    update(kind) {
      if (kind === "changes" || kind === "undone" || kind === "refused") show();
    },
    recolour() {},
    actions: {
      earlier: () => roving.step(-1),
      later: () => roving.step(1),
      leave: () => roving.step(1),
      stepUp: () => step(true),
      stepDown: () => step(false),
      nearer: () => resize(1),
      farther: () => resize(-1),
      only() {
        onlyUp = !onlyUp;
        render(true);
        app.announce(words.shortlist.sum(list.filter((i) => i.keeper.shortlist).length, list.length));
      },
      look() {
        const k = shown()[roving.at]?.keeper;
        if (k) app.lookAtFrame(k.burst, k);
      },
    },
  };
  return view;
}
