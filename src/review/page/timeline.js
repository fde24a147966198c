/* Where each pass lies on the line of hours, 0..1. Quiet stretches are folded: a morning and an evening at the
   pond fit one line, and the hours between them are one gap that says how long it was. */

const FOLD_LEAST_S = 900,
  FOLD_SHARE = 0.08,
  GAP = 0.03,
  LEAST = 0.02;

function stretchesOf(times) {
  const span = times.length ? times[times.length - 1].s - times[0].s : 0;
  const fold = Math.max(FOLD_LEAST_S, span * FOLD_SHARE),
    list = [];
  for (const t of times) {
    const last = list[list.length - 1];
    if (last && t.s - last.to <= fold) last.to = t.s;
    else list.push({ from: t.s, to: t.s });
  }
  return list;
}

/* Seconds of the clock that also order passes of different days. */
function secondsOf(p) {
  if (p.burst.clock_s === null || p.burst.clock_s === undefined) return null;
  const day = p.burst.start ? Date.parse(`${p.burst.start.slice(0, 10)}T00:00:00Z`) / 1000 : 0;
  return day + p.burst.clock_s + (p.pass.pass - 1) * 0.001;
}

function spread(list) {
  const at = list.map((p, k) => ({ p, u: (k + 0.5) / list.length }));
  return { at, stretches: [], gaps: [], untimed: 0 };
}

function placeStretches(stretches, room) {
  const total = stretches.reduce((sum, s) => sum + (s.to - s.from), 0) || 1;
  const free = room - GAP * (stretches.length - 1) - LEAST * stretches.length;
  let u = 0;
  for (const s of stretches) {
    s.u0 = u + LEAST / 2;
    s.u1 = s.u0 + Math.max(0, free) * ((s.to - s.from) / total);
    u = s.u1 + LEAST / 2 + GAP;
  }
}

/* { at: [{ p, u }] in order along the line, stretches: [{ from, to, u0, u1 }], gaps: [{ u, seconds }],
     untimed: where the passes without a time begin, 0 = none }. */
export function placeInTime(list) {
  const times = [],
    without = [];
  for (const p of list) (secondsOf(p) === null ? without : times).push({ p, s: secondsOf(p) });
  times.sort((a, b) => a.s - b.s);
  if (!times.length) return spread(list);
  const stretches = stretchesOf(times),
    room = without.length ? 0.9 : 1;
  placeStretches(stretches, room);
  let k = 0;
  const at = times.map(({ p, s }) => {
    while (s > stretches[k].to) k++;
    const { from, to, u0, u1 } = stretches[k];
    return { p, u: to > from ? u0 + ((s - from) / (to - from)) * (u1 - u0) : (u0 + u1) / 2 };
  });
  without.forEach(({ p }, i) => at.push({ p, u: 0.92 + 0.08 * ((i + 0.5) / without.length) }));
  const gaps = stretches
    .slice(1)
    .map((s, i) => ({ u: (stretches[i].u1 + s.u0) / 2, seconds: s.from - stretches[i].to }));
  return { at, stretches, gaps, untimed: without.length ? 0.92 : 0 };
}

export function placeByPromise(list) {
  return spread(list);
}

const STEPS_S = [1, 2, 5, 10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400];

/* Round times in a stretch, at least `least` (a share of the line) apart. */
export function clockMarks(stretch, least) {
  const { from, to, u0, u1 } = stretch,
    rate = (u1 - u0) / (to - from || 1),
    marks = [];
  if (to === from || u1 - u0 < least / 2) return [{ s: from, u: u0, exact: true }];
  const step = STEPS_S.find((s) => s * rate >= least) || 86400;
  for (let s = Math.ceil(from / step) * step; s <= to; s += step) marks.push({ s, u: u0 + (s - from) * rate });
  return marks.length ? marks : [{ s: from, u: u0, exact: true }];
}

export function clockText(seconds, withSeconds) {
  const two = (n) => String(Math.floor(n)).padStart(2, "0"),
    s = ((seconds % 86400) + 86400) % 86400;
  return `${two(s / 3600)}:${two((s / 60) % 60)}${withSeconds ? `:${two(s % 60)}` : ""}`;
}
