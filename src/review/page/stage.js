/* The stage: the frame that is looked at, its neighbours in time beside it at the same scale, aligned on the
   subject; or the whole sharp set at once. */
import { el, say } from "./dom.js";
import { Pane } from "./pane.js";
import { subjectOf } from "./geometry.js";
import { outcomeMark, settled } from "./marks.js";
import { expect } from "./pictures.js";
import { words } from "./words.js";

const AHEAD = 8;

/* A pane with what is said below it. */
function createSlot(pick, look) {
  const pane = new Pane(words.pass.empty, look),
    mark = el("span", { class: "mark-place" }),
    text = el("span");
  const root = el("figure", { class: "slot" }, pane.root, el("figcaption", {}, mark, text));
  const slot = { root, pane, index: -1 };
  pane.root.addEventListener("click", () => slot.index >= 0 && !look.dragged && pick(slot.index));

  /* `now` is the frame that is looked at: times are told from it. */
  slot.show = (detail, pass, index, now) => {
    const frame = detail.frames[index];
    slot.index = frame ? index : -1;
    root.classList.toggle("vacant", !frame);
    if (!frame) return (pane.clear(), mark.replaceChildren(), say(text, ""), Promise.resolve());
    mark.replaceChildren(outcomeMark(frame.outcome, settled(frame)));
    root.dataset.outcome = frame.outcome;
    say(text, words.pass.caption(frame, subjectOf(frame, pass), frame.t_ms - detail.frames[now].t_ms));
    pane.canvas.setAttribute("aria-label", words.pass.picture(frame, index + 1, detail.frames.length));
    return pane.showFrame(detail, frame, pass);
  };
  return slot;
}

export function createStage(pick) {
  const root = el("div", { class: "stage" }),
    set = el("div", { class: "sharp-set", hidden: true });
  const look = { x: 0, y: 0, dragged: false };
  let slots = [],
    setSlots = [],
    shown = null;

  /* One pane and two below it on a phone, else three, five or seven beside each other. */
  function count() {
    const w = root.clientWidth / (parseFloat(getComputedStyle(document.documentElement).fontSize) / 16);
    return w >= 3000 ? 7 : w >= 1700 ? 5 : 3;
  }

  function build() {
    if (slots.length === count()) return;
    slots = Array.from({ length: count() }, () => createSlot(pick, look));
    slots[(slots.length - 1) / 2].root.classList.add("middle");
    root.style.setProperty("--slots", slots.length);
    root.replaceChildren(...slots.map((s) => s.root));
  }

  const middle = () => slots[(slots.length - 1) / 2];

  function show(detail, pass, at) {
    shown = [detail, pass, at];
    build();
    const half = (slots.length - 1) / 2;
    const mid = slots[half].show(detail, pass, at, at);
    slots.forEach((slot, k) => k !== half && slot.show(detail, pass, at + k - half, at));
    return mid;
  }

  new ResizeObserver(() => {
    if (shown && !root.hidden && slots.length !== count()) show(...shown);
  }).observe(root);

  /* All frames of a list at once, in panes of one size. */
  function showSet(detail, pass, indices, at) {
    while (setSlots.length < indices.length) setSlots.push(createSlot(pick, look));
    set.replaceChildren(...setSlots.slice(0, indices.length).map((s) => s.root));
    indices.forEach((index, k) => {
      setSlots[k].show(detail, pass, index, at);
      setSlots[k].root.classList.toggle("middle", index === at);
    });
  }

  function mode(name) {
    root.hidden = name !== "beside";
    set.hidden = name !== "set";
  }

  /* ---- looking beside the middle of the subject: all panes together ---------- */

  const panes = () => [...slots, ...setSlots].map((s) => s.pane).filter((p) => p.root.isConnected && p.want);

  /* By whole px of the screen. */
  function lookBy(dx, dy) {
    look.x += Math.round(dx);
    look.y += Math.round(dy);
    for (const pane of panes()) pane.draw();
  }

  function lookAtSubject() {
    look.x = look.y = 0;
  }

  let from = null;
  for (const place of [root, set]) {
    place.addEventListener("pointerdown", (e) => {
      look.dragged = false;
      if (e.pointerType !== "touch" && e.button === 0)
        from = { x: e.clientX, y: e.clientY, lookX: look.x, lookY: look.y };
    });
    place.addEventListener("pointermove", (e) => {
      if (!from || (Math.hypot(e.clientX - from.x, e.clientY - from.y) < 4 && !look.dragged)) return;
      if (!look.dragged) place.setPointerCapture(e.pointerId);
      const k = devicePixelRatio || 1;
      look.dragged = true;
      look.x = from.lookX - Math.round((e.clientX - from.x) * k);
      look.y = from.lookY - Math.round((e.clientY - from.y) * k);
      for (const pane of panes()) pane.shift();
    });
    for (const end of ["pointerup", "pointercancel"])
      place.addEventListener(end, () => {
        if (from && look.dragged) for (const pane of panes()) pane.draw();
        from = null;
      });
  }

  /* The addresses a look at this frame needs, the middle first. */
  function needs(detail, pass, at) {
    const pane = middle()?.pane,
      half = (slots.length - 1) / 2,
      list = [];
    if (!pane || !pane.canvas.width) return list;
    for (let d = 0; d <= half; d++)
      for (const i of d ? [at + d, at - d] : [at])
        if (detail.frames[i]) list.push(pane.addressOf(detail.frames, i, pass));
    return list.filter(Boolean);
  }

  /* What may be looked at next: frames around, then what `more` names. */
  function prepare(detail, pass, at, more) {
    const pane = middle()?.pane,
      list = [];
    if (!pane || !pane.canvas.width) return;
    for (let d = 1; d <= AHEAD + (slots.length - 1) / 2; d++)
      for (const i of [at + d, at - d]) if (detail.frames[i]) list.push(pane.addressOf(detail.frames, i, pass));
    expect([...list.filter(Boolean), ...more]);
  }

  return { root, set, show, showSet, mode, needs, prepare, middle, lookBy, lookAtSubject };
}
