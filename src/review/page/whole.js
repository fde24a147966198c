/* The whole frame, with zoom and pan. It starts fitted; where it is enlarged beyond the fitted picture, the part
   in sight is fetched at 1:1. */
import { el } from "./dom.js";
import { subjectOf, storedBox, uprightBox, uprightMatrix, uprightSize } from "./geometry.js";
import { paintTicks } from "./pane.js";
import { cropAddress, load, whole } from "./pictures.js";
import { words } from "./words.js";

const MOST = 2048;

export function createWhole() {
  const canvas = el("canvas", { role: "img", "aria-label": words.whole.label });
  const root = el("div", { class: "whole", hidden: true }, canvas);
  let frame = null,
    own = null,
    picture = null,
    fine = null,
    scale = 1,
    fit = 1,
    cx = 0,
    cy = 0,
    asked = 0;

  const k = () => devicePixelRatio || 1;

  function fitIn() {
    const up = uprightSize(frame);
    fit = Math.min(canvas.width / up.w, canvas.height / up.h) || 1;
    scale = Math.max(scale, fit);
  }

  new ResizeObserver(() => {
    canvas.width = Math.floor(root.clientWidth * k());
    canvas.height = Math.floor(root.clientHeight * k());
    if (frame) (fitIn(), paint());
  }).observe(root);

  async function show(shown, pass) {
    const other = frame !== shown;
    frame = shown;
    own = subjectOf(shown, pass);
    root.hidden = false;
    canvas.width = Math.floor(root.clientWidth * k());
    canvas.height = Math.floor(root.clientHeight * k());
    if (!frame.w) return paint();
    if (other || !picture) {
      picture = fine = null;
      const up = uprightSize(frame);
      [scale, cx, cy] = [0, up.w / 2, up.h / 2];
    }
    fitIn();
    paint();
    const bitmap = await load(whole(frame.id)).catch(() => null);
    if (frame === shown) ((picture = bitmap), paint());
  }

  function paint() {
    const c = canvas.getContext("2d");
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.clearRect(0, 0, canvas.width, canvas.height);
    if (!picture) return;
    const tx = Math.round(canvas.width / 2 - scale * cx),
      ty = Math.round(canvas.height / 2 - scale * cy);
    c.save();
    c.transform(scale, 0, 0, scale, tx, ty);
    c.transform(...uprightMatrix(frame.orientation, frame.w, frame.h));
    c.imageSmoothingEnabled = scale < 2;
    c.drawImage(picture, 0, 0, frame.w, frame.h);
    if (fine) c.drawImage(fine.bitmap, fine.part.x, fine.part.y, fine.part.w, fine.part.h);
    c.restore();
    if (own) paintTicks(c, uprightBox(frame, own), scale, tx, ty);
    clearTimeout(asked);
    if (scale * frame.w > picture.width * 1.05) asked = setTimeout(refine, 120);
  }

  async function refine() {
    const shown = frame,
      w = canvas.width / scale,
      h = canvas.height / scale;
    const box = storedBox(frame, { x: cx - w / 2, y: cy - h / 2, w, h });
    const x = Math.max(0, Math.floor(box.x)),
      y = Math.max(0, Math.floor(box.y));
    const part = {
      x,
      y,
      w: Math.min(MOST, Math.ceil(box.w), frame.w - x),
      h: Math.min(MOST, Math.ceil(box.h), frame.h - y),
    };
    if (part.w < 1 || part.h < 1 || (fine && JSON.stringify(fine.part) === JSON.stringify(part))) return;
    const bitmap = await load(cropAddress(frame.id, part)).catch(() => null);
    if (bitmap && frame === shown) ((fine = { bitmap, part }), paint());
  }

  function pan(dx, dy) {
    const up = uprightSize(frame),
      halfW = Math.min(up.w / 2, canvas.width / scale / 2),
      halfH = Math.min(up.h / 2, canvas.height / scale / 2);
    cx = Math.min(up.w - halfW, Math.max(halfW, cx + dx / scale));
    cy = Math.min(up.h - halfH, Math.max(halfH, cy + dy / scale));
    paint();
  }

  /* Zooms about a point of the canvas, by default its middle. */
  function zoom(factor, x = canvas.width / 2, y = canvas.height / 2) {
    const next = Math.min(8, Math.max(fit, scale * factor)),
      dx = x - canvas.width / 2,
      dy = y - canvas.height / 2;
    cx += dx / scale - dx / next;
    cy += dy / scale - dy / next;
    scale = next;
    pan(0, 0);
  }

  const held = new Map();
  canvas.addEventListener("pointerdown", (e) => {
    canvas.setPointerCapture(e.pointerId);
    held.set(e.pointerId, e);
  });
  for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, (e) => held.delete(e.pointerId));
  canvas.addEventListener("pointermove", (e) => {
    const old = held.get(e.pointerId);
    if (!old) return;
    held.set(e.pointerId, e);
    const other = [...held.values()].find((h) => h.pointerId !== e.pointerId),
      far = (a, b) => Math.hypot(a.offsetX - b.offsetX, a.offsetY - b.offsetY) || 1;
    if (other)
      zoom(
        far(e, other) / far(old, other),
        ((e.offsetX + other.offsetX) / 2) * k(),
        ((e.offsetY + other.offsetY) / 2) * k(),
      );
    else pan((old.offsetX - e.offsetX) * k(), (old.offsetY - e.offsetY) * k());
  });
  canvas.addEventListener(
    "wheel",
    (e) => {
      e.preventDefault();
      zoom(Math.exp(-e.deltaY / 300), e.offsetX * k(), e.offsetY * k());
    },
    { passive: false },
  );
  canvas.addEventListener("dblclick", (e) => zoom(1 / scale, e.offsetX * k(), e.offsetY * k()));

  const step = (dx, dy) => pan(dx * canvas.width * 0.15, dy * canvas.width * 0.15);
  return {
    root,
    show,
    hide: () => {
      root.hidden = true;
    },
    zoom,
    step,
  };
}
