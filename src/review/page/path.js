/* The path of a pass: where the subject flew, over the empty background, a dot per frame sized by sharpness. */
import { el, svg } from "./dom.js";
import { depthOf, subjectOf, uprightBox, uprightMatrix, uprightSize } from "./geometry.js";
import { load } from "./pictures.js";
import { words } from "./words.js";

/* The empty background, grey, upright, on a canvas as large as its place. */
export function paintBackground(canvas, address, frame) {
  return load(address).then(
    (bitmap) => {
      const up = uprightSize(frame),
        k = Math.min(1, 1000 / Math.max(up.w, up.h));
      canvas.width = Math.round(up.w * k);
      canvas.height = Math.round(up.h * k);
      const c = canvas.getContext("2d");
      c.scale(k, k);
      c.transform(...uprightMatrix(frame.orientation, frame.w, frame.h));
      c.drawImage(bitmap, 0, 0, frame.w, frame.h);
    },
    () => {
      canvas.width = 1;
    },
  );
}

const middle = (box) => [box.x + box.w / 2, box.y + box.h / 2];

export function createPath(pick) {
  const canvas = el("canvas", { class: "ground", "aria-hidden": "true" });
  const drawing = svg("svg", { role: "img", "aria-label": words.path.label });
  const root = el("div", { class: "path" }, canvas, drawing);
  let spots = [],
    unit = 1,
    shownGround = "";

  function size(detail, frame) {
    const up = uprightSize(frame),
      ground = `${detail.background} ${frame.orientation}`;
    unit = Math.max(up.w, up.h) / 100;
    root.style.setProperty("aspect-ratio", `${up.w} / ${up.h}`);
    drawing.setAttribute("viewBox", `0 0 ${up.w} ${up.h}`);
    if (ground !== shownGround) paintBackground(canvas, detail.background, frame);
    shownGround = ground;
  }

  function spotOf(frame, subject, pass) {
    const box = uprightBox(frame, subject),
      [cx, cy] = middle(box);
    const depth = subject.blur_px ? depthOf(subject.blur_px) : 1,
      kept = frame.outcome === "keep" && frame.pass === pass;
    const r = unit * (0.55 + 1.5 * (1 - depth) ** 2);
    return {
      cx,
      cy,
      box,
      node: svg("circle", { class: kept ? "keep" : "reject", cx, cy, r, "stroke-width": unit * 0.25 }),
    };
  }

  function show(detail, pass, at) {
    size(detail, detail.frames.find((f) => f.w > 0) || { w: 4, h: 3, orientation: 1 });
    spots = detail.frames.map((frame) => {
      const subject = subjectOf(frame, pass);
      return subject && spotOf(frame, subject, pass);
    });
    const flown = spots.filter(Boolean);
    const way = flown.map((s, k) => `${k ? "L" : "M"}${s.cx.toFixed(0)} ${s.cy.toFixed(0)}`).join("");
    drawing.replaceChildren(
      svg("path", { class: "way", d: way || "M0 0", "stroke-width": unit * 0.4 }),
      ...flown.map((s) => s.node),
      svg("path", { class: "under corner" }),
      svg("path", { class: "over corner" }),
    );
    moveTo(at);
  }

  function moveTo(at) {
    const spot = spots[at],
      d = spot ? corners(spot.box) : "M0 0";
    for (const corner of drawing.querySelectorAll(".corner")) corner.setAttribute("d", d);
  }

  drawing.addEventListener("click", (e) => {
    const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(drawing.getScreenCTM().inverse());
    let best = -1,
      least = Infinity;
    spots.forEach((s, i) => {
      const far = s ? Math.hypot(s.cx - p.x, s.cy - p.y) : Infinity;
      if (far < least) [best, least] = [i, far];
    });
    if (best >= 0) pick(best);
  });
  return { root, show, moveTo };
}

export function corners({ x, y, w, h }) {
  const arm = Math.min(w, h) * 0.16;
  return [
    [x, y, arm, arm],
    [x + w, y, -arm, arm],
    [x, y + h, arm, -arm],
    [x + w, y + h, -arm, -arm],
  ]
    .map(([cx, cy, dx, dy]) => `M${cx + dx} ${cy}H${cx}V${cy + dy}`)
    .join("");
}
