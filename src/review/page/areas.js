/* Areas of a set-up, drawn once: what moves there is ignored (grass in the wind), or it is kept out of crops
   (the feeder). By mouse, touch and keyboard. */
import { el, svg, button, say } from "./dom.js";
import { get, post } from "./api.js";
import { storedBox, uprightBox, uprightSize } from "./geometry.js";
import { paintBackground } from "./path.js";
import * as store from "./store.js";
import { words } from "./words.js";

const STEP = 0.02,
  LEAST = 0.02;

export function createAreas(app) {
  const setups = el("div", { class: "row", role: "group", "aria-label": words.areas.setups });
  const canvas = el("canvas", { class: "ground", "aria-hidden": "true" });
  const drawing = svg("svg", { viewBox: "0 0 1000 1000", preserveAspectRatio: "none", "aria-hidden": "true" });
  const draft = el("div", { class: "draft", tabindex: 0, role: "group", "aria-label": words.areas.draft });
  const surface = el("div", { class: "surface" }, canvas, drawing, draft);
  const list = el("ul", { class: "areas" }),
    note = el("p", { class: "hint" }, words.areas.hint),
    nothing = el("p");
  const set = el(
    "div",
    { class: "row" },
    button(words.areas.ignore, () => save("ignore"), { class: "main" }),
    button(words.areas.keepOut, () => save("keep-out"), { class: "main" }),
  );
  const root = el(
    "section",
    { class: "place", "aria-label": words.places.areas },
    el("h2", {}, words.places.areas),
    note,
    nothing,
    setups,
    surface,
    set,
    list,
  );
  let setup = 0,
    frame = null,
    areas = [],
    box = { x: 0.4, y: 0.4, w: 0.2, h: 0.2 }; // box: shares, upright

  /* Shares of the stored picture and of the upright one. */
  const toStored = (b) => shares(storedBox({ w: 1, h: 1, orientation: frame.orientation }, b));
  const toUpright = (b) => shares(uprightBox({ w: 1, h: 1, orientation: frame.orientation }, b));
  const shares = ({ x, y, w, h }) => ({ x: +x.toFixed(4), y: +y.toFixed(4), w: +w.toFixed(4), h: +h.toFixed(4) });

  function placeDraft() {
    for (const [side, value] of [
      ["left", box.x],
      ["top", box.y],
      ["width", box.w],
      ["height", box.h],
    ])
      draft.style.setProperty(side, `${(100 * value).toFixed(2)}%`);
    draft.setAttribute("aria-label", words.areas.spoken(box));
  }

  function drawAreas() {
    const own = areas.filter((a) => a.setup === setup);
    drawing.replaceChildren(
      ...own.map((a) => {
        const b = toUpright(a);
        return svg("rect", { class: a.kind, x: 1000 * b.x, y: 1000 * b.y, width: 1000 * b.w, height: 1000 * b.h });
      }),
    );
    list.replaceChildren(
      ...own.map((a) =>
        el(
          "li",
          {},
          words.areas.line(a, toUpright(a)),
          " ",
          button(words.areas.remove, () => remove(a), { "aria-label": words.areas.removeOne(a, toUpright(a)) }),
        ),
      ),
    );
  }

  async function choose(number) {
    setup = number;
    for (const b of setups.children) b.setAttribute("aria-pressed", String(Number(b.dataset.setup) === setup));
    const burst = store.session().bursts.find((b) => b.setup === setup && b.frames !== b.unreadable);
    const detail = burst && (await store.burst(burst.burst).catch(() => null));
    frame = detail?.frames.find((f) => f.w > 0) || { w: 4, h: 3, orientation: 1 };
    const up = uprightSize(frame);
    surface.style.setProperty("aspect-ratio", `${up.w} / ${up.h}`);
    surface.style.setProperty("--ratio", up.w / up.h);
    paintBackground(canvas, `picture/background/${setup}`, frame);
    drawAreas();
    placeDraft();
  }

  async function load() {
    const answer = await get("api/areas").catch(() => []);
    areas = answer.areas || answer;
  }

  async function save(kind) {
    try {
      const area = { setup, kind, ...toStored(box) },
        saved = await post("api/area", area);
      areas.push({ ...area, id: saved.id });
      app.announce(words.areas.saved(kind));
    } catch (problem) {
      app.announce(words.refused(problem.message), true);
    }
    await load();
    drawAreas();
  }

  async function remove(area) {
    await post("api/area/remove", { id: area.id }).catch((problem) =>
      app.announce(words.refused(problem.message), true),
    );
    await load();
    drawAreas();
    draft.focus();
  }

  /* ---- the draft: drag to draw, arrows to move, Shift and arrows to size -- */

  function clampBox(b) {
    const w = Math.min(1, Math.max(LEAST, b.w)),
      h = Math.min(1, Math.max(LEAST, b.h));
    box = { w, h, x: Math.min(1 - w, Math.max(0, b.x)), y: Math.min(1 - h, Math.max(0, b.y)) };
    placeDraft();
  }

  draft.addEventListener("keydown", (e) => {
    const d = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    if (!d) return;
    e.preventDefault();
    e.stopPropagation();
    const [dx, dy] = [d[0] * STEP, d[1] * STEP];
    clampBox(e.shiftKey ? { ...box, w: box.w + dx, h: box.h + dy } : { ...box, x: box.x + dx, y: box.y + dy });
  });

  let from = null;
  const at = (e) => {
    const r = surface.getBoundingClientRect();
    return [(e.clientX - r.left) / r.width, (e.clientY - r.top) / r.height].map((v) => Math.min(1, Math.max(0, v)));
  };
  surface.addEventListener("pointerdown", (e) => {
    surface.setPointerCapture(e.pointerId);
    from = at(e);
  });
  surface.addEventListener("pointermove", (e) => {
    if (!from) return;
    const [x, y] = at(e);
    clampBox({ x: Math.min(x, from[0]), y: Math.min(y, from[1]), w: Math.abs(x - from[0]), h: Math.abs(y - from[1]) });
  });
  for (const end of ["pointerup", "pointercancel"])
    surface.addEventListener(end, () => {
      from = null;
    });

  return {
    name: "areas",
    root,
    focus: () => (surface.hidden ? nothing : draft),
    hide() {},
    recolour() {},
    async show() {
      const all = store.session().setups;
      surface.hidden = set.hidden = !all.length;
      say(nothing, all.length ? "" : words.areas.none);
      setups.replaceChildren(
        ...all.map((s) => button(words.areas.setup(s.setup), () => choose(s.setup), { "data-setup": s.setup })),
      );
      await load();
      if (all.length) await choose(all.some((s) => s.setup === setup) ? setup : all[0].setup);
    },
    async update(kind) {
      if (kind === "changes") {
        await load();
        if (frame) drawAreas();
      }
    },
    actions: {},
  };
}
