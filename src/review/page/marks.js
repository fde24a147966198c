/* The three shapes of an outcome: a filled dot above a line, a hollow one below it, a bar on it. The line is
   whole where a person has spoken, dashed where it is only proposed. */
import { svg } from "./dom.js";

export function outcomeMark(outcome, settled) {
  const line = { class: settled ? "base" : "base proposed", x1: 1, x2: 21, y1: 11, y2: 11 };
  const shape =
    outcome === "keep"
      ? svg("circle", { class: "keep", cx: 11, cy: 5, r: 4 })
      : outcome === "reject"
        ? svg("circle", { class: "reject", cx: 11, cy: 17, r: 3.4 })
        : svg("line", { class: "open", x1: 11, x2: 11, y1: 5, y2: 17 });
  return svg(
    "svg",
    { class: "mark", width: 22, height: 22, viewBox: "0 0 22 22", "aria-hidden": "true" },
    svg("line", line),
    shape,
  );
}

export const settled = (frame) => Boolean(frame.accepted || frame.decision || frame.in_camera);

/* Judged passes are told by shape: a ring = open, a ring with a seed = partly, a dot with a foot = judged and
   something stays, a flat cap with a foot = judged and nothing stays. */
export function shapeOf(pass) {
  if (pass.judged === "yes") return pass.keep > 0 ? "stays" : "goes";
  return pass.judged === "part" ? "part" : "open";
}

const PAINT = {
  open(c, x, y, r, k) {
    ring(c, x, y, r, k.paper, k.slate);
  },
  part(c, x, y, r, k) {
    ring(c, x, y, r, k.paper, k.slate);
    ring(c, x, y, r * 0.4, k.slate, k.slate);
  },
  stays(c, x, y, r, k) {
    ring(c, x, y, r, k.warm, k.warm);
  },
  goes(c, x, y, r, k) {
    c.fillStyle = k.slate;
    c.fillRect(x - r, y - 1.5, 2 * r, 3);
  },
};

function ring(c, x, y, r, fill, stroke) {
  c.beginPath();
  c.arc(x, y, r, 0, 2 * Math.PI);
  c.fillStyle = fill;
  c.fill();
  c.strokeStyle = stroke;
  c.lineWidth = 1.4;
  c.stroke();
}

/* The mark of a pass on the line of hours: its top at y, its foot on `line`. */
export function paintPass(c, shape, x, y, line, r, colours) {
  c.strokeStyle = colours.slate;
  c.lineWidth = r < 3 ? 1 : 1.3;
  c.globalAlpha = 0.6;
  c.beginPath();
  c.moveTo(x, line);
  c.lineTo(x, y);
  c.stroke();
  c.globalAlpha = 1;
  if (shape === "stays" || shape === "goes") {
    c.fillStyle = shape === "stays" ? colours.warm : colours.slate;
    c.fillRect(x - Math.max(1, r / 2), line + 2, Math.max(2, r), 4);
  }
  PAINT[shape](c, x, y, r, colours);
}

/* A picture of such a mark, for the legend. */
export function passMark(shape) {
  const foot = shape === "stays" || shape === "goes";
  const head = {
    open: [svg("circle", { class: "reject", cx: 8, cy: 6, r: 4 })],
    part: [
      svg("circle", { class: "reject", cx: 8, cy: 6, r: 4 }),
      svg("circle", { class: "seen", cx: 8, cy: 6, r: 1.7 }),
    ],
    stays: [svg("circle", { class: "keep", cx: 8, cy: 6, r: 4 })],
    goes: [svg("rect", { class: "seen", x: 3, y: 4.5, width: 10, height: 3 })],
  }[shape];
  return svg(
    "svg",
    { class: "mark", width: 16, height: 26, viewBox: "0 0 16 26", "aria-hidden": "true" },
    svg("line", { class: "stem", x1: 8, x2: 8, y1: 6, y2: 19 }),
    svg("line", { class: "base", x1: 0, x2: 16, y1: 19, y2: 19 }),
    foot && svg("rect", { class: shape === "stays" ? "keep" : "seen", x: 5.5, y: 21, width: 5, height: 4 }),
    ...head,
  );
}

/* Colours for what is painted, read from the style so that there is one place for them. */
export function coloursOf(node) {
  const style = getComputedStyle(node),
    colours = {};
  for (const name of ["paper", "ink", "soft", "line", "warm", "slate", "field"])
    colours[name] = style.getPropertyValue(`--${name}`).trim();
  return colours;
}
