/* Plays a pass at a fifth of real speed, the subject in the middle. */
export const SLOWER = 5;

/* `indices` are frames in time order; `step` shows one. Returns the call that stops. */
export function play(frames, indices, start, step, ended) {
  const from = frames[indices[0]].t_ms,
    until = frames[indices[indices.length - 1]].t_ms;
  const gap = indices.length > 1 ? (until - from) / (indices.length - 1) : 100;
  let begun = 0,
    shown = -1,
    handle = 0;
  const first =
    Math.max(from, Math.min(until, frames[start].t_ms)) >= until ? from : Math.max(from, frames[start].t_ms);

  function tick(now) {
    begun ||= now;
    const t = first + (now - begun) / SLOWER;
    let k = 0;
    while (k + 1 < indices.length && frames[indices[k + 1]].t_ms <= t) k++;
    if (indices[k] !== shown) step((shown = indices[k]));
    if (t > until + gap) return ended();
    handle = requestAnimationFrame(tick);
  }
  handle = requestAnimationFrame(tick);
  return () => cancelAnimationFrame(handle);
}
