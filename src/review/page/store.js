/* What the page knows of the session. An act shows at once and is taken back where the engine refuses it. */
import * as api from "./api.js";

const details = new Map(); // burst number -> { value, coming, pending, stale }
const listeners = new Set();

export const store = { session: null, version: 0, order: "time", lost: false, trouble: "" };
export const session = () => store.session;

export function listen(act) {
  listeners.add(act);
  return () => listeners.delete(act);
}

function tell(kind, burst = 0) {
  flat = null;
  for (const act of [...listeners]) act(kind, burst);
}

/* ---- passes in order ------------------------------------------------------- */

let flat = null;

function everyPass() {
  const list = [];
  for (const burst of store.session.bursts) for (const pass of burst.passes) list.push({ burst, pass });
  if (store.order === "promise") list.sort((a, b) => (b.pass.sharpness ?? -1) - (a.pass.sharpness ?? -1));
  return list;
}

/* Every pass of the session as { burst, pass }, in the order that was chosen. */
export function passes() {
  return (flat ??= everyPass());
}

export function setOrder(order) {
  store.order = order;
  tell("session");
}

export function indexOf(burst, pass) {
  return passes().findIndex((p) => p.burst.burst === burst && p.pass.pass === pass);
}

/* The next pass nobody has judged, from `index` on and around the end; null when all are. */
export function nextOpen(index) {
  const list = passes();
  for (let k = 1; k <= list.length; k++) {
    const p = list[(index + k) % list.length];
    if (p.pass.judged !== "yes") return p;
  }
  return null;
}

export function burstSummary(number) {
  return store.session.bursts.find((b) => b.burst === number) || null;
}

/* ---- loading --------------------------------------------------------------- */

/* A pass without a frame has nothing to judge. */
function withFrames(burst) {
  burst.passes = burst.passes.filter((p) => p.frames > 0);
  return burst;
}

export async function loadSession() {
  store.session = await api.get("api/session");
  store.session.bursts.forEach(withFrames);
  store.version = store.session.version;
  tell("session");
}

function entryOf(number) {
  if (!details.has(number)) details.set(number, { value: null, coming: null, pending: 0, stale: false, acts: 0 });
  return details.get(number);
}

/* What is known of a burst, null while it is not here. */
export function known(number) {
  return details.get(number)?.value || null;
}

async function fetchBurst(number, entry) {
  for (;;) {
    const acts = entry.acts,
      value = withFrames(await api.get(`api/burst/${number}`));
    if (entry.acts !== acts || entry.pending > 0) {
      await Promise.all([...running]);
      continue; // asked before an act of ours was saved: ask again
    }
    value.frames.sort((a, b) => a.position - b.position);
    entry.value = value;
    entry.stale = false;
    adoptSummary(value);
    return value;
  }
}

export function burst(number) {
  const entry = entryOf(number);
  if (entry.value && !entry.stale) return Promise.resolve(entry.value);
  entry.coming ??= fetchBurst(number, entry).finally(() => {
    entry.coming = null;
  });
  return entry.coming;
}

const summaryKeys = [
  "setup",
  "start",
  "clock_s",
  "duration_s",
  "mode",
  "perch",
  "nothing_sharp",
  "ranked",
  "eyes",
  "empty",
  "accepted",
  "unreadable",
  "passes",
  "recalled",
  "picture",
];

/* A burst without a pass in which every frame could be read: nothing was seen. A camera that follows its subject
   leaves no empty scene to tell that by. */
export function isEmpty(b) {
  const nothing =
    b.ranked && !b.passes.length && !b.unreadable && b.frames >= 5 && ["moving", "unknown"].includes(b.mode);
  return !b.recalled && (b.empty || nothing);
}

/* The newest word on a burst also goes into the list of bursts. */
function adoptSummary(value) {
  const summary = burstSummary(value.burst);
  if (!summary) return;
  for (const key of summaryKeys) if (value[key] !== undefined) summary[key] = value[key];
  flat = null;
}

async function refresh(number) {
  const entry = entryOf(number);
  entry.stale = true;
  await burst(number);
  tell("burst", number);
}

/* Tabs stay in step: whatever anybody changed is read again. */
async function changed(news) {
  const measured = news.measuring && store.session.measuring.done !== news.measuring.done;
  const fresh = news.bursts.some((n) => !burstSummary(n)) || news.bursts.length > 40;
  store.version = news.version;
  if (measured || fresh || store.session.measuring.running !== news.measuring?.running) {
    for (const entry of details.values()) entry.stale = true;
    await loadSession();
  }
  await Promise.all(news.bursts.filter((n) => details.has(n) || !fresh).map(refresh));
  tell("changes");
}

export function stayInStep() {
  api.follow(
    () => store.version,
    changed,
    (lost, problem) => {
      store.lost = lost;
      store.trouble = problem ? problem.message : "";
      tell("connection");
    },
  );
}

/* ---- acts ------------------------------------------------------------------ */

const running = new Set();

/* Shows an act at once, saves it, and takes it back where that fails. */
async function act(path, body, numbers, undo) {
  const entries = numbers.map(entryOf);
  for (const entry of entries) (entry.pending++, entry.acts++);
  for (const n of numbers) tell("burst", n);
  const saving = api.post(path, body);
  const quiet = saving.catch(() => {});
  running.add(quiet);
  try {
    return await saving;
  } catch (problem) {
    undo();
    store.trouble = problem.message;
    for (const n of numbers) tell("burst", n);
    tell("refused");
    return null;
  } finally {
    running.delete(quiet);
    for (const entry of entries) entry.pending--;
  }
}

export const outcomeOf = (frame) => frame.decision || (frame.in_camera ? "keep" : frame.proposal || "none");
const settled = (frame) => frame.accepted || frame.decision !== "" || frame.in_camera;

/* The frames that are judged with a pass: its own; where all of them belong to other passes, those it is in. */
function framesOf(detail, pass) {
  const own = detail.frames.filter((f) => f.pass === pass);
  return own.length ? own : detail.frames.filter((f) => f.subjects.some((s) => s.pass === pass));
}

/* Counts a burst again after its frames changed. */
function recount(detail) {
  for (const frame of detail.frames) frame.outcome = outcomeOf(frame);
  for (const pass of detail.passes) {
    const own = framesOf(detail, pass.pass);
    const count = (outcome) => own.filter((f) => f.outcome === outcome).length;
    const done = own.filter(settled).length;
    Object.assign(pass, { keep: count("keep"), reject: count("reject"), eyes: count("none"), decided: done });
    const touched = own.some((f) => f.accepted || f.decision !== "");
    pass.judged = done === own.length ? "yes" : touched ? "part" : "no";
  }
  detail.eyes = detail.frames.filter((f) => f.outcome === "none").length;
  detail.accepted = detail.frames.every(settled);
  adoptSummary(detail);
}

/* `decision` is "keep", "reject" or "" = back to the proposal. */
export function decide(detail, frames, decision) {
  const before = frames.map((f) => f.decision);
  const set = (values) =>
    frames.forEach((f, k) => {
      f.decision = values[k];
    });
  set(frames.map(() => decision));
  recount(detail);
  const body = { frames: frames.map((f) => f.id), decision: decision || "clear" };
  return act("api/decide", body, [detail.burst], () => (set(before), recount(detail)));
}

/* Accepts the proposals of a pass; with the last pass of a burst also those of the frames without a pass. */
export function accept(detail, pass) {
  const rest = detail.passes.every((p) => p.pass === pass || p.judged === "yes");
  const frames = (rest ? detail.frames : framesOf(detail, pass)).filter((f) => !f.accepted);
  const set = (value) =>
    frames.forEach((f) => {
      f.accepted = value;
    });
  set(true);
  recount(detail);
  const body = { burst: detail.burst, accepted: true, ...(rest ? {} : { pass }) };
  return act("api/accept", body, [detail.burst], () => (set(false), recount(detail)));
}

/* Takes back the last act of a person. */
export async function takeBack() {
  const done = await act("api/undo", {}, [], () => {});
  if (done?.bursts) await Promise.all(done.bursts.map(refresh));
  tell("undone");
  return done;
}

export async function recall(summary, on) {
  const before = summary.recalled;
  summary.recalled = on;
  return act("api/recall", { burst: summary.burst, on }, [summary.burst], () => {
    summary.recalled = before;
  });
}

export async function setShortlist(frame, on) {
  const before = frame.shortlist;
  frame.shortlist = on;
  return act("api/shortlist", { frame: frame.id, on }, [frame.burst], () => {
    frame.shortlist = before;
  });
}
