/* The curve of a pass: sharpness over time, and below it the line that frames stay above or fall under. It is
   the way through the pass. Its shape is that of the contact sheet. */
import { el, svg } from "./dom.js";
import { curveShape, curveY, subjectOf } from "./geometry.js";
import { words } from "./words.js";

const { height, line, left, right } = curveShape;

/* Time to per cent of the width: the pass with a little air; all of the burst where the look is beyond. */
function spanOf(frames, pass, at) {
  const own = frames.filter((f) => f.pass === pass || subjectOf(f, pass));
  const all = [frames[0].t_ms, frames[frames.length - 1].t_ms];
  if (!own.length) return all;
  const air = 0.12 * (own[own.length - 1].t_ms - own[0].t_ms) || 50,
    now = frames[at].t_ms;
  const span = [Math.max(all[0], own[0].t_ms - air), Math.min(all[1], own[own.length - 1].t_ms + air)];
  return now < span[0] || now > span[1] ? all : span;
}

const across = ([from, to], t) => (to > from ? left + ((t - from) / (to - from)) * (right - left) : (left + right) / 2);
const percent = (x) => `${x.toFixed(2)}%`;
const dot = (kind, x, y, r) => svg("circle", { class: kind, cx: percent(x), cy: y.toFixed(1), r });
const stroke = (kind, x1, y1, x2, y2) =>
  svg("line", { class: kind, x1: percent(x1), y1: y1.toFixed(1), x2: percent(x2), y2: y2.toFixed(1) });
const text = (x, y, content, anchor) => svg("text", { x: percent(x), y, "text-anchor": anchor }, content);

function scale(longEdge) {
  const parts = [text(0, 10, words.curve.sharpAt, "start")];
  for (let k = 0; k < 4; k++) {
    const y = curveY(0.7 * (1 << k));
    parts.push(stroke("grid", 9, y, 99, y), text(8, y + 4, String(longEdge >> k), "end"));
  }
  return parts;
}

function course(points) {
  const d = points
    .filter((p) => p.subject && !p.subject.cut && p.subject.blur_px)
    .map((p, k) => `${k ? "L" : "M"}${(10 * p.x).toFixed(1)} ${curveY(p.subject.blur_px).toFixed(1)}`)
    .join("");
  return svg(
    "svg",
    { width: "100%", height, viewBox: `0 0 1000 ${height}`, preserveAspectRatio: "none" },
    svg("path", { class: "course", d: d || "M0 0" }),
  );
}

function point({ frame, subject, x }, pass) {
  if (!subject?.blur_px) return [];
  const y = curveY(subject.blur_px);
  if (frame.outcome !== "keep" || frame.pass !== pass) return [dot(subject.cut ? "seen part" : "seen", x, y, 1.8)];
  const parts = [stroke("drop", x, y, x, line), dot("keep", x, y, 4.5)];
  if (subject.low_px && subject.high_px)
    parts.splice(1, 0, stroke("bar", x, curveY(subject.low_px), x, curveY(subject.high_px)));
  if (frame.rank) parts.push(text(x, y - 8, String(frame.rank), "middle"));
  return parts;
}

/* Above, on or below the line; a frame that a person spoke on is pinned to the line. */
function outcome({ frame, x }, pass) {
  const kind = frame.pass === pass ? "" : " other",
    own = frame.decision !== "" || frame.in_camera;
  if (frame.outcome === "none") return [stroke(`open${kind}`, x, line - 5, x, line + 5)];
  const up = frame.outcome === "keep",
    y = line + (up ? -curveShape.above : curveShape.below);
  const parts = [dot((up ? "keep" : "reject") + kind, x, y, up ? 4 : frame.pass === pass ? 2.6 : 1.8)];
  if (own) parts.unshift(stroke("pin", x, line, x, line + (up ? -14 : 14)));
  return parts;
}

export function createCurve(pick) {
  const drawing = svg("svg", { class: "curve", width: "100%", height, "aria-hidden": "true" });
  const cursor = el("div", { class: "cursor" });
  const root = el(
    "div",
    {
      class: "navigator",
      role: "slider",
      tabindex: 0,
      "aria-label": words.curve.label,
      "aria-orientation": "horizontal",
      "aria-valuemin": 1,
    },
    drawing,
    cursor,
  );
  let points = [],
    down = false;

  function pickAt(e) {
    const x = (100 * (e.clientX - drawing.getBoundingClientRect().left)) / drawing.clientWidth;
    let best = -1;
    points.forEach((p, i) => {
      if (best < 0 || Math.abs(p.x - x) < Math.abs(points[best].x - x)) best = i;
    });
    if (best >= 0) pick(best);
  }
  root.addEventListener("pointerdown", (e) => {
    down = true;
    root.setPointerCapture(e.pointerId);
    pickAt(e);
  });
  root.addEventListener("pointermove", (e) => down && pickAt(e));
  for (const end of ["pointerup", "pointercancel"])
    root.addEventListener(end, () => {
      down = false;
    });

  function show(detail, pass, at) {
    const span = spanOf(detail.frames, pass, at);
    points = detail.frames.map((frame) => ({ frame, subject: subjectOf(frame, pass), x: across(span, frame.t_ms) }));
    const seen = points.filter((p) => p.x >= left - 1 && p.x <= right + 1);
    const longEdge = Math.max(...detail.frames.map((f) => Math.max(f.w, f.h)));
    drawing.replaceChildren(
      ...scale(longEdge),
      stroke("base", 9, line, 99, line),
      course(seen),
      ...seen.flatMap((p) => point(p, pass)),
      ...seen.flatMap((p) => outcome(p, pass)),
      text(9, height - 4, words.curve.from(detail, span[0]), "start"),
      text(99, height - 4, words.curve.to(span), "end"),
    );
    moveTo(at);
  }

  function moveTo(at) {
    cursor.style.setProperty("left", percent(points[at].x));
    root.setAttribute("aria-valuemax", String(points.length));
    root.setAttribute("aria-valuenow", String(at + 1));
  }

  /* True where the frame stands beyond the span that is drawn. */
  const beyond = (at) => !points[at] || points[at].x < left - 1 || points[at].x > right + 1;
  const speak = (spoken) => root.setAttribute("aria-valuetext", spoken);
  return { root, show, moveTo, beyond, speak };
}
