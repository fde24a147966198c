/* A window on one frame: its subject at true 1:1, one px of the picture on one px of the screen, upright. */
import { el } from "./dom.js";
import { anchorOf, cropAround, nearestSubject, uprightBox, uprightMatrix, uprightSize, subjectOf } from "./geometry.js";
import { cropAddress, load, ready, small } from "./pictures.js";

const STEP = 128,
  MOST = 2048;

export class Pane {
  /* `look`: how far from the subject one looks, in px, shared by panes that stand beside each other. */
  constructor(label = "", look = { x: 0, y: 0 }) {
    this.look = look;
    this.last = null; // what was painted last: { bitmap, part }
    this.canvas = el("canvas", label ? { role: "img", "aria-label": label } : { "aria-hidden": "true" });
    this.note = el("p", { class: "pane-note", hidden: true });
    this.root = el("div", { class: "pane" }, this.canvas, this.note);
    this.ticks = true;
    this.want = null; // { frame, subject, own }
    this.fill = 0; // 0 = 1:1; else the share of the pane that the subject fills
    this.most = 1; // and the greatest scale for that
    new ResizeObserver(() => this.resize()).observe(this.root);
  }

  resize() {
    const k = devicePixelRatio || 1,
      box = this.root.getBoundingClientRect();
    const w = Math.floor(box.width * k),
      h = Math.floor(box.height * k);
    if (w === this.canvas.width && h === this.canvas.height) return;
    this.canvas.width = w;
    this.canvas.height = h;
    this.canvas.style.width = `${w / k}px`; // whole px of the screen: nothing is resampled
    this.canvas.style.height = `${h / k}px`;
    this.draw();
  }

  /* Room of the pane in px of the screen. */
  get room() {
    return { w: this.canvas.width, h: this.canvas.height };
  }

  scaleFor(subject) {
    if (!this.fill || !subject) return 1;
    return Math.min(this.most, (this.fill * Math.min(this.room.w, this.room.h)) / Math.max(subject.w, subject.h));
  }

  /* A square large enough for the pane: the same for panes of nearly one size, so that they share pictures. */
  cropOf(frame, subject) {
    const room = Math.max(this.room.w, this.room.h) / this.scaleFor(subject);
    const side = Math.min(MOST, Math.max(256, Math.ceil(room / STEP) * STEP));
    return cropAround(frame, this.anchor(frame, subject), side);
  }

  anchor(frame, subject) {
    const whole = uprightSize(frame);
    if (!subject) return [whole.w / 2, whole.h / 2];
    const s = this.scaleFor(subject);
    const [x, y] = anchorOf(frame, subject, { w: this.room.w / s, h: this.room.h / s });
    return [Math.round(x) + this.look.x, Math.round(y) + this.look.y];
  }

  addressOf(frames, index, pass) {
    const frame = frames[index],
      subject = nearestSubject(frames, index, pass);
    return frame.w > 0 ? cropAddress(frame.id, this.cropOf(frame, subject)) : null;
  }

  /* What is wanted; draws at once what is here and the rest when it comes. */
  showFrame(detail, frame, pass) {
    const subject = nearestSubject(detail.frames, detail.frames.indexOf(frame), pass);
    this.want = { frame, subject, own: subjectOf(frame, pass) };
    this.resize();
    return this.draw();
  }

  showSmall(id) {
    this.want = { id };
    this.draw();
  }

  clear(note = "") {
    this.want = this.last = null;
    this.say(note);
    this.context.clearRect(0, 0, this.canvas.width, this.canvas.height);
    this.root.dataset.shown = "";
  }

  say(note) {
    this.note.textContent = note;
    this.note.hidden = note === "";
  }

  get context() {
    const c = this.canvas.getContext("2d");
    c.setTransform(1, 0, 0, 1, 0, 0);
    return c;
  }

  draw() {
    const want = this.want;
    if (!want || this.canvas.width === 0) return Promise.resolve();
    if (!want.frame) return this.drawSmall(want.id);
    const { frame } = want;
    if (frame.state === "unreadable" || frame.w === 0)
      return (this.clear(frame.cause), this.mark(frame.id), Promise.resolve());
    this.say("");
    const address = cropAddress(frame.id, this.cropOf(frame, want.subject)),
      bitmap = ready(address);
    if (bitmap) return (this.paint(bitmap, this.cropOf(frame, want.subject)), this.mark(frame.id), Promise.resolve());
    const first = ready(small(frame.id));
    this.root.dataset.shown = "";
    if (first) this.paint(first, { x: 0, y: 0, w: frame.w, h: frame.h });
    return load(address).then(
      () => this.want === want && this.draw(),
      (problem) => this.want === want && this.say(problem.message),
    );
  }

  /* Tells the outside which frame stands here at full sharpness. */
  mark(id) {
    this.root.dataset.shown = String(id);
  }

  /* While one drags: what is here, elsewhere. */
  shift() {
    if (this.want?.frame && this.last) this.paint(this.last.bitmap, this.last.part);
  }

  paint(bitmap, part) {
    this.last = { bitmap, part };
    const { frame, subject, own } = this.want,
      c = this.context,
      [ax, ay] = this.anchor(frame, subject);
    const { w, h } = this.room,
      s = this.scaleFor(subject),
      m = uprightMatrix(frame.orientation, frame.w, frame.h);
    const tx = Math.round(w / 2 - s * ax),
      ty = Math.round(h / 2 - s * ay);
    c.clearRect(0, 0, w, h);
    c.save();
    c.imageSmoothingEnabled = bitmap.width !== Math.round(part.w * s);
    c.transform(s, 0, 0, s, tx, ty);
    c.transform(...m);
    c.drawImage(bitmap, part.x, part.y, part.w, part.h);
    c.restore();
    if (own && this.ticks) paintTicks(c, uprightBox(frame, own), s, tx, ty);
  }

  drawSmall(id) {
    const bitmap = ready(small(id));
    if (!bitmap)
      return load(small(id)).then(
        () => this.want?.id === id && this.draw(),
        () => {},
      );
    const c = this.context,
      { w, h } = this.room,
      s = Math.min(w / bitmap.width, h / bitmap.height);
    c.clearRect(0, 0, w, h);
    this.say("");
    c.imageSmoothingEnabled = true;
    c.drawImage(bitmap, (w - s * bitmap.width) / 2, (h - s * bitmap.height) / 2, s * bitmap.width, s * bitmap.height);
    return Promise.resolve();
  }
}

/* The subject box as corner ticks: light on dark, so that they show on any feather. */
export function paintTicks(c, box, s, tx, ty) {
  const k = devicePixelRatio || 1,
    x1 = tx + box.x * s,
    y1 = ty + box.y * s,
    x2 = x1 + box.w * s,
    y2 = y1 + box.h * s;
  const arm = Math.min(x2 - x1, y2 - y1) * 0.16;
  c.beginPath();
  for (const [x, dx] of [
    [x1, arm],
    [x2, -arm],
  ])
    for (const [y, dy] of [
      [y1, arm],
      [y2, -arm],
    ])
      (c.moveTo(x + dx, y), c.lineTo(x, y), c.lineTo(x, y + dy));
  c.strokeStyle = "rgba(0,0,0,.45)";
  c.lineWidth = 3 * k;
  c.stroke();
  c.strokeStyle = "#fff";
  c.lineWidth = 1.3 * k;
  c.stroke();
}

/* A small picture, upright, painted when it comes near the window; what it shows is said beside it. */
export function thumb(id, orientation) {
  const canvas = el("canvas", { class: "thumb", "aria-hidden": "true", width: 4, height: 3 });
  wanted.set(canvas, () =>
    load(small(id)).then(
      (bitmap) => paintUpright(canvas, bitmap, orientation),
      () => canvas.classList.add("none"),
    ),
  );
  nearWindow.observe(canvas);
  return canvas;
}

const wanted = new WeakMap();

/* Calls what belongs to a node once it is near the window. */
const nearWindow = new IntersectionObserver(
  (entries) => {
    for (const { isIntersecting, target } of entries) {
      if (!isIntersecting) continue;
      nearWindow.unobserve(target);
      wanted.get(target)?.();
    }
  },
  { rootMargin: "400px" },
);

export function whenNear(node, act) {
  wanted.set(node, act);
  nearWindow.observe(node);
}

function paintUpright(canvas, bitmap, orientation) {
  const up = uprightSize({ w: bitmap.width, h: bitmap.height, orientation });
  canvas.width = up.w;
  canvas.height = up.h;
  const c = canvas.getContext("2d");
  c.transform(...uprightMatrix(orientation, bitmap.width, bitmap.height));
  c.drawImage(bitmap, 0, 0);
}
