/* Where things lie: stored and upright pictures, the scale of sharpness, boxes and their head ends. */

/* The matrix [a b c d e f] that turns a stored picture of w x h upright, after Exif 2.32, tag 0x0112. */
export function uprightMatrix(orientation, w, h) {
  switch (orientation) {
    case 2:
      return [-1, 0, 0, 1, w, 0];
    case 3:
      return [-1, 0, 0, -1, w, h];
    case 4:
      return [1, 0, 0, -1, 0, h];
    case 5:
      return [0, 1, 1, 0, 0, 0];
    case 6:
      return [0, 1, -1, 0, h, 0];
    case 7:
      return [0, -1, -1, 0, h, w];
    case 8:
      return [0, -1, 1, 0, 0, w];
    default:
      return [1, 0, 0, 1, 0, 0];
  }
}

export function apply(m, x, y) {
  return [m[0] * x + m[2] * y + m[4], m[1] * x + m[3] * y + m[5]];
}

/* The matrix is a turn and a shift: its inverse has the transposed turn. */
function unapply(m, x, y) {
  const dx = x - m[4],
    dy = y - m[5];
  return [m[0] * dx + m[1] * dy, m[2] * dx + m[3] * dy];
}

function boxThrough(map, m, box) {
  const [x1, y1] = map(m, box.x, box.y),
    [x2, y2] = map(m, box.x + box.w, box.y + box.h);
  return { x: Math.min(x1, x2), y: Math.min(y1, y2), w: Math.abs(x2 - x1), h: Math.abs(y2 - y1) };
}

export function uprightSize(frame) {
  return frame.orientation >= 5 ? { w: frame.h, h: frame.w } : { w: frame.w, h: frame.h };
}

export function uprightBox(frame, box) {
  return boxThrough(apply, uprightMatrix(frame.orientation, frame.w, frame.h), box);
}

export function storedBox(frame, box) {
  return boxThrough(unapply, uprightMatrix(frame.orientation, frame.w, frame.h), box);
}

/* Blur as depth, 0 (top, at .35 px) .. 1 (8 px and more): one step of the scale doubles the blur. */
export function depthOf(blur) {
  return Math.min(1, Math.max(0, (Math.log2(blur / 0.7) + 1) / 4.5));
}

/* The shape of a curve, in px of its height and per cent of its width; the contact sheet draws the same. */
export const curveShape = { height: 186, top: 22, low: 122, line: 150, left: 10, right: 98, above: 7, below: 7 };

export function curveY(blur) {
  return curveShape.top + depthOf(blur) * (curveShape.low - curveShape.top);
}

export function subjectOf(frame, pass) {
  return frame.subjects.find((s) => s.pass === pass) || null;
}

/* The point to look at, upright, on a pane of `room` px a side: the middle of the subject; where it does not
   fit, nearer to its head end, the leading 40 % along its way. */
export function anchorOf(frame, subject, room) {
  const m = uprightMatrix(frame.orientation, frame.w, frame.h),
    box = uprightBox(frame, subject);
  const middle = [box.x + box.w / 2, box.y + box.h / 2];
  if (!subject.heading) return middle;
  const [dx, dy] = subject.heading,
    length = Math.max(Math.abs(dx), Math.abs(dy)) || 1;
  const ux = (m[0] * dx + m[2] * dy) / length,
    uy = (m[1] * dx + m[3] * dy) / length;
  const toward = (u) => Math.max(-1, Math.min(1, 2 * u)); // who flies aslant has its head in a corner of its box
  const shift = (size, side, u) => toward(u) * Math.min(0.3 * size, Math.max(0, size / 2 - side * 0.42));
  return [middle[0] + shift(box.w, room.w, ux), middle[1] + shift(box.h, room.h, uy)];
}

/* The part of the stored picture, `side` px a side, around an upright point; whole px inside the picture. */
export function cropAround(frame, point, side) {
  const m = uprightMatrix(frame.orientation, frame.w, frame.h),
    [x, y] = unapply(m, point[0], point[1]);
  const w = Math.min(side, frame.w),
    h = Math.min(side, frame.h);
  const within = (value, most) => Math.max(0, Math.min(Math.round(value), most));
  return { x: within(x - w / 2, frame.w - w), y: within(y - h / 2, frame.h - h), w, h };
}

/* The subject of a frame in which none was found lies where its neighbours in time have it. */
export function nearestSubject(frames, index, pass) {
  for (let d = 0; d < frames.length; d++)
    for (const i of [index - d, index + d]) {
      const found = frames[i] && subjectOf(frames[i], pass);
      if (found) return found;
    }
  return null;
}
