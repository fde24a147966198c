/* The line of hours itself: painted, not built of elements, and only what is in sight is painted, so that 2,000
   passes move smoothly. */
import { el } from "./dom.js";
import { coloursOf, paintPass, shapeOf } from "./marks.js";
import { clockMarks, clockText } from "./timeline.js";
import { words } from "./words.js";

const PAD = 14,
  FOOT = 44,
  TOP = 14;

/* `told` is called when another pass is looked at or pointed at, `look` when one is opened. */
export function createLine(told, look) {
  const canvas = el("canvas", { class: "hours-canvas", "aria-hidden": "true" });
  const layer = el("canvas"); // everything but the cursor: painted again only when something moved
  const root = el(
    "div",
    {
      class: "hours-line",
      role: "slider",
      tabindex: 0,
      "aria-label": words.hours.label,
      "aria-valuemin": 1,
      "aria-orientation": "horizontal",
    },
    canvas,
  );
  let placed = null,
    at = 0,
    hover = -1,
    zoom = 1,
    left = 0;
  let dirty = false,
    colours = null,
    width = 0,
    height = 0,
    layered = "",
    laid = 0;

  /* ---- painting ---------------------------------------------------------- */

  const xOf = (u) => PAD + (u - left) * zoom * (width - 2 * PAD);
  const uOf = (x) => left + (x - PAD) / (zoom * (width - 2 * PAD));

  function repaint() {
    if (dirty) return;
    dirty = true;
    requestAnimationFrame(() => {
      dirty = false;
      paint();
    });
  }

  /* Index of the first pass at or right of u. */
  function firstFrom(u) {
    let low = 0,
      high = placed.at.length;
    while (low < high) {
      const mid = (low + high) >> 1;
      if (placed.at[mid].u < u) low = mid + 1;
      else high = mid;
    }
    return low;
  }

  function paintScale(c, base) {
    c.font = `${fontPx()}px system-ui, 'Noto Sans', sans-serif`;
    c.textAlign = "center";
    const least = (fontPx() * 5.5) / (zoom * (width - 2 * PAD));
    let free = -Infinity;
    for (const stretch of placed.stretches)
      for (const mark of clockMarks(stretch, least)) {
        const x = xOf(mark.u),
          text = clockText(mark.s, zoom > 20 && !mark.exact),
          half = c.measureText(text).width / 2;
        if (x - half < free || x < -60 || x > width + 60) continue;
        c.fillStyle = colours.slate;
        c.fillRect(Math.round(x), base, 1, 5);
        c.fillStyle = colours.soft;
        c.fillText(text, Math.min(width - half, Math.max(half, x)), base + 12 + fontPx());
        free = x + half + 10;
      }
    for (const gap of placed.gaps) paintGap(c, xOf(gap.u), base);
  }

  /* Hours in which nothing flew, folded. */
  function paintGap(c, x, base) {
    c.fillStyle = colours.paper;
    c.fillRect(x - 5, base - 3, 10, 6);
    c.strokeStyle = colours.ink;
    c.lineWidth = 1.2;
    c.beginPath();
    for (const d of [-5, 3]) (c.moveTo(x + d, base + 6), c.lineTo(x + d + 3, base - 6));
    c.stroke();
  }

  function contextOf(node, k) {
    const c = node.getContext("2d");
    c.setTransform(k, 0, 0, k, 0, 0);
    c.clearRect(0, 0, width, height);
    return c;
  }

  /* Marks get smaller where many are in sight. */
  function sizeOf(n) {
    return Math.min(7, Math.max(2, ((width - 2 * PAD) / Math.max(1, n)) * 0.4));
  }

  function paintLayer(k, base, from, to) {
    [layer.width, layer.height] = [canvas.width, canvas.height];
    const c = contextOf(layer, k);
    c.fillStyle = colours.ink;
    c.fillRect(0, base, width, 1.2);
    paintScale(c, base);
    for (let i = from; i < to; i++) paintOne(c, i, base, sizeOf(to - from));
  }

  function paint() {
    if (!placed || root.offsetParent === null || width === 0) return;
    const k = devicePixelRatio || 1,
      base = height - FOOT,
      c = contextOf(canvas, k);
    const from = firstFrom(uOf(-10)),
      to = firstFrom(uOf(width + 10)),
      now = [zoom, left, canvas.width, canvas.height, laid].join();
    colours ??= coloursOf(root);
    if (now !== layered) paintLayer(k, base, from, to);
    layered = now;
    c.drawImage(layer, 0, 0, width, height);
    for (const i of [at, hover])
      if (i >= 0 && placed.at[i]) paintCursor(c, i, base, i === at, Math.max(sizeOf(to - from), 4));
  }

  const heightOf = (pass, base) => base - 10 - (pass.sharpness ?? 0) * (base - 10 - TOP);

  function paintOne(c, i, base, r) {
    const { p, u } = placed.at[i];
    paintPass(c, shapeOf(p.pass), xOf(u), heightOf(p.pass, base), base, r, colours);
  }

  function paintCursor(c, i, base, focus, r) {
    const { p, u } = placed.at[i],
      x = xOf(u);
    paintPass(c, shapeOf(p.pass), x, heightOf(p.pass, base), base, r + 1.5, colours);
    c.strokeStyle = colours.ink;
    c.lineWidth = focus ? 2 : 1;
    c.beginPath();
    c.arc(x, heightOf(p.pass, base), r + 5, 0, 2 * Math.PI);
    c.stroke();
    if (!focus) return;
    c.fillStyle = colours.ink;
    c.beginPath();
    (c.moveTo(x, base + 8), c.lineTo(x - 6, base + 16), c.lineTo(x + 6, base + 16));
    c.fill();
  }

  const fontPx = () => parseFloat(getComputedStyle(document.documentElement).fontSize) * 0.78;

  new ResizeObserver(() => {
    const k = devicePixelRatio || 1;
    width = root.clientWidth;
    height = root.clientHeight;
    canvas.width = Math.round(width * k);
    canvas.height = Math.round(height * k);
    repaint();
  }).observe(root);

  /* ---- moving ------------------------------------------------------------ */

  function clampLeft() {
    left = Math.min(Math.max(0, left), 1 - 1 / zoom);
  }

  function zoomBy(factor, u = placed.at[at]?.u ?? 0.5) {
    const before = zoom;
    zoom = Math.min(400, Math.max(1, zoom * factor));
    left = u - (u - left) * (before / zoom);
    clampLeft();
    repaint();
  }

  function intoSight() {
    const u = placed.at[at].u,
      margin = 0.06 / zoom;
    if (u < left + margin) left = u - margin;
    if (u > left + 1 / zoom - margin) left = u + margin - 1 / zoom;
    clampLeft();
  }

  function move(to) {
    if (!placed?.at.length) return;
    at = Math.max(0, Math.min(placed.at.length - 1, to));
    hover = -1;
    intoSight();
    repaint();
    told();
  }

  function nearest(x) {
    const i = firstFrom(uOf(x)),
      before = placed.at[i - 1],
      after = placed.at[i];
    if (!before) return i < placed.at.length ? i : -1;
    return after && xOf(after.u) - x < x - xOf(before.u) ? i : i - 1;
  }

  /* ---- mouse and touch --------------------------------------------------- */

  const touching = new Map();
  let moved = 0;

  root.addEventListener("pointerdown", (e) => {
    root.setPointerCapture(e.pointerId);
    touching.set(e.pointerId, e.offsetX);
    if (touching.size === 1) moved = 0;
  });
  root.addEventListener("pointermove", (e) => {
    if (!placed?.at.length) return;
    if (!touching.has(e.pointerId)) return hoverAt(nearest(e.offsetX));
    const old = touching.get(e.pointerId),
      others = [...touching].filter(([id]) => id !== e.pointerId);
    touching.set(e.pointerId, e.offsetX);
    moved += Math.abs(e.offsetX - old);
    if (others.length) pinch(others[0][1], old, e.offsetX);
    else if (moved > 5) {
      left -= (e.offsetX - old) / (zoom * (width - 2 * PAD));
      clampLeft();
      repaint();
    }
  });
  for (const end of ["pointerup", "pointercancel"])
    root.addEventListener(end, (e) => {
      touching.delete(e.pointerId);
      if (end === "pointerup" && moved <= 5 && placed?.at.length) tap(nearest(e.offsetX));
    });
  root.addEventListener("pointerleave", () => hoverAt(-1));
  root.addEventListener("dblclick", () => look());
  root.addEventListener(
    "wheel",
    (e) => {
      if (e.deltaY === 0) return;
      e.preventDefault();
      zoomBy(Math.exp(-e.deltaY / 300), uOf(e.offsetX));
    },
    { passive: false },
  );

  function pinch(other, old, now) {
    const before = Math.abs(old - other) || 1,
      after = Math.abs(now - other) || 1;
    zoomBy(after / before, uOf((now + other) / 2));
  }

  function hoverAt(i) {
    if (i === hover) return;
    hover = i;
    repaint();
    told();
  }

  function tap(i) {
    if (i === at) return look();
    move(i);
  }

  /* Lays the passes out anew; the look stays on the pass where it was. */
  function show(placing, same) {
    const here = placed?.at[at]?.p;
    placed = placing;
    laid++;
    if (here)
      at = Math.max(
        0,
        placed.at.findIndex(({ p }) => same(p, here)),
      );
    hover = -1;
    root.setAttribute("aria-valuemax", String(placed.at.length));
    repaint();
  }

  function recolour() {
    colours = null;
    laid++;
    repaint();
  }

  /* The words for the pass that is looked at. */
  function speak(text) {
    root.setAttribute("aria-valuenow", String(at + 1));
    root.setAttribute("aria-valuetext", text);
  }

  return {
    root,
    show,
    move,
    zoomBy,
    recolour,
    speak,
    at: () => at,
    size: () => placed.at.length,
    focused: () => placed?.at[at]?.p || null,
    shown: () => placed?.at[hover >= 0 ? hover : at]?.p || null,
    find: (same) =>
      Math.max(
        0,
        placed.at.findIndex(({ p }) => same(p)),
      ),
  };
}
