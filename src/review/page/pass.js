/* One pass: which of these frames stays? */
import { el, button, say } from "./dom.js";
import { subjectOf } from "./geometry.js";
import { keySign } from "./keys.js";
import { settled, outcomeMark } from "./marks.js";
import { createCurve } from "./curve.js";
import { createPath } from "./path.js";
import { createStage } from "./stage.js";
import { createWhole } from "./whole.js";
import { play } from "./play.js";
import * as store from "./store.js";
import { post } from "./api.js";
import { words } from "./words.js";

const LOOK_STEP_PX = 96;
const EQUAL_PX = 0.3; // blur that the eye does not tell apart, where the error bar is smaller

/* The sharp set: complete frames whose blur is within the greater of .3 px and the error bar of the best. */
function sharpSet(detail, pass) {
  const own = detail.frames
    .map((frame, index) => ({ index, frame, s: subjectOf(frame, pass) }))
    .filter(({ s }) => s && s.blur_px && !s.cut && !s.hidden);
  if (!own.length) return [];
  const best = own.reduce((a, b) => (b.s.blur_px < a.s.blur_px ? b : a)).s;
  const bar = Math.max(EQUAL_PX, ((best.high_px || 0) - (best.low_px || 0)) / 2);
  const rank = ({ frame }) => frame.rank || 1e6;
  return own
    .filter(({ s }) => s.blur_px <= best.blur_px + bar)
    .sort((a, b) => rank(a) - rank(b) || a.s.blur_px - b.s.blur_px)
    .slice(0, 12)
    .map(({ index }) => index)
    .sort((a, b) => a - b);
}

export function createPass(app) {
  let detail = null,
    pass = 0,
    at = 0,
    held = -1,
    flickerFrom = -1, // the frame that the next flicker goes back to
    mode = "beside",
    stop = null;
  const curve = createCurve((i) => moveTo(i)),
    path = createPath((i) => moveTo(i));
  const stage = createStage((i) => moveTo(i)),
    whole = createWhole();
  const title = el("h2"),
    when = el("p", { class: "facts" }),
    state = el("p", { class: "state" });
  const sentence = el("p", { class: "sentence" }),
    facts = el("dl", { class: "figures" });
  const note = el("p", { class: "limits" }, words.pass.limits);
  const deck = el("div", { class: "deck", role: "toolbar", "aria-label": words.pass.deck });
  const tools = el("div", { class: "tools", role: "toolbar", "aria-label": words.pass.tools });
  const theatre = el("div", { class: "theatre" }, stage.root, stage.set, whole.root);
  const root = el(
    "section",
    { class: "place pass", "aria-label": words.places.pass },
    el("div", { class: "row spread head" }, el("div", {}, title, when), tools),
    theatre,
    el("div", { class: "below" }, curve.root, el("div", { class: "words" }, state, sentence, facts), path.root),
    deck,
    note,
  );

  /* ---- showing ----------------------------------------------------------- */

  const frame = () => detail.frames[at];
  const index = () => store.indexOf(detail.burst, pass);

  async function open(number, which, id) {
    halt();
    const value = await store.burst(number);
    const chosen = value.passes.find((p) => p.pass === which) || value.passes[0];
    detail = value;
    pass = chosen?.pass || 0;
    const best = detail.frames.findIndex((f) => f.id === (id || chosen?.best));
    [at, held, flickerFrom] = [Math.max(0, best), -1, -1];
    stage.lookAtSubject();
    setMode("beside");
    post("api/place", { burst: number, pass }).catch(() => {});
    render();
    app.progress();
  }

  function setMode(name) {
    mode = name;
    stage.mode(name);
    theatre.classList.toggle("many", name === "set");
    if (name !== "whole") whole.hide();
    for (const [act, node] of Object.entries(toggles))
      node.setAttribute("aria-pressed", String(act === name || (act === "play" && stop !== null)));
  }

  /* Everything: the pass, the burst or decisions changed. */
  function render() {
    if (!detail) return;
    const summary = detail.passes.find((p) => p.pass === pass);
    say(title, words.pass.title(detail, pass));
    say(when, words.pass.when(detail, summary));
    curve.show(detail, pass, at);
    path.show(detail, pass, at);
    renderFrame();
  }

  /* Only what depends on the frame that is looked at. */
  function renderFrame() {
    const f = frame();
    if (curve.beyond(at)) curve.show(detail, pass, at);
    curve.moveTo(at);
    path.moveTo(at);
    if (mode === "set") stage.showSet(detail, pass, sharpSet(detail, pass), at);
    else if (mode === "whole") whole.show(f, pass);
    else stage.show(detail, pass, at).then(() => prepare());
    state.replaceChildren(outcomeMark(f.outcome, settled(f)), words.pass.state(f));
    say(sentence, f.state === "unreadable" ? words.pass.unreadable(f) : f.sentence);
    fillFacts(f);
    curve.speak(words.pass.spoken(f, subjectOf(f, pass), at + 1, detail.frames.length));
  }

  function fillFacts(f) {
    const rows = words.pass.figures(f, subjectOf(f, pass));
    facts.replaceChildren(...rows.flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)]));
  }

  /* The pictures of the next pass are fetched while one looks. */
  function prepare() {
    const here = detail,
      next = store.nextOpen(index());
    stage.prepare(here, pass, at, []);
    if (!next || (next.burst.burst === here.burst && next.pass.pass === pass)) return;
    store.burst(next.burst.burst).then(
      (d) => {
        if (detail !== here) return;
        const best = Math.max(
          0,
          d.frames.findIndex((f) => f.id === next.pass.best),
        );
        stage.prepare(here, pass, at, stage.needs(d, next.pass.pass, best));
      },
      () => {},
    );
  }

  /* ---- moving in time ---------------------------------------------------- */

  function moveTo(i) {
    halt();
    at = Math.max(0, Math.min(detail.frames.length - 1, i));
    flickerFrom = -1;
    renderFrame();
  }

  function step(d) {
    if (mode !== "set") return moveTo(at + d);
    const set = sharpSet(detail, pass),
      k = set.indexOf(at);
    moveTo(k < 0 ? set[0] : set[Math.max(0, Math.min(set.length - 1, k + d))]);
  }

  const bestIndex = () => detail.frames.findIndex((f) => f.id === detail.passes.find((p) => p.pass === pass)?.best);

  /* The frame to compare with: the one held, else the best, else the next best. */
  function other() {
    if (flickerFrom >= 0 && flickerFrom !== at) return flickerFrom;
    if (held >= 0 && held !== at) return held;
    const best = bestIndex();
    if (best >= 0 && best !== at) return best;
    return sharpSet(detail, pass).find((i) => i !== at) ?? Math.max(0, at - 1);
  }

  function halt() {
    if (stop) stop();
    stop = null;
  }

  function togglePlay() {
    if (stop) return (halt(), setMode("beside"), moveTo(at));
    const own = detail.frames
      .map((_, i) => i)
      .filter((i) => subjectOf(detail.frames[i], pass) && detail.frames[i].state !== "unreadable");
    if (own.length < 2) return app.announce(words.pass.nothingToPlay);
    const showing = (i) => {
      at = i;
      curve.moveTo(at);
      path.moveTo(at);
      stage.show(detail, pass, at);
      stage.prepare(detail, pass, at, []);
    };
    stop = play(detail.frames, own, at, showing, () => {
      halt();
      setMode("beside");
      renderFrame();
    });
    setMode("beside");
  }

  /* ---- deciding ---------------------------------------------------------- */

  function decide(decision) {
    const f = frame();
    if (f.decision === decision) return app.announce(words.pass.state(f));
    store.decide(detail, [f], decision);
    app.announce(words.pass.state(f));
  }

  function rejectBurst() {
    const marked = detail.frames.filter((f) => f.in_camera),
      frames = detail.frames.filter((f) => f.decision !== "reject" && !f.in_camera);
    if (frames.length) store.decide(detail, frames, "reject");
    app.announce(words.pass.allRejected(detail.frames.length - marked.length, marked.length));
  }

  function goOn() {
    const from = index(),
      summary = detail.passes.find((p) => p.pass === pass);
    if (!summary) return app.go("eyes");
    store.accept(detail, pass);
    const next = store.nextOpen(from);
    app.announce(words.pass.accepted(summary, next));
    if (next) app.lookAt(next);
    else app.go("after");
  }

  function turn(d) {
    const list = store.passes(),
      next = list[index() + d];
    if (next) app.lookAt(next);
    else app.announce(d > 0 ? words.pass.lastPass : words.pass.firstPass);
  }

  function pan(dx, dy) {
    if (mode === "whole") whole.step(dx, dy);
    else stage.lookBy(dx * LOOK_STEP_PX, dy * LOOK_STEP_PX);
  }

  const actions = {
    earlier: () => step(-1),
    later: () => step(1),
    first: () => moveTo(0),
    last: () => moveTo(detail.frames.length - 1),
    best: () => moveTo(bestIndex()),
    keep: () => decide("keep"),
    reject: () => decide("reject"),
    proposal: () => decide(""),
    rejectBurst,
    goOn,
    nextPass: () => turn(1),
    lastPass: () => turn(-1),
    play: togglePlay,
    sharpSet() {
      halt();
      setMode(mode === "set" ? "beside" : "set");
      renderFrame();
    },
    whole() {
      halt();
      setMode(mode === "whole" ? "beside" : "whole");
      renderFrame();
    },
    hold() {
      held = at;
      app.announce(words.pass.held(frame()));
    },
    flicker() {
      if (mode !== "beside") setMode("beside");
      const from = at;
      moveTo(other()); // what is shown is what a decision is about
      flickerFrom = from;
      app.announce(words.pass.flicker(frame()));
    },
    nearer() {
      if (mode !== "whole") actions.whole();
      whole.zoom(1.6);
    },
    farther() {
      if (mode === "whole") whole.zoom(1 / 1.6);
    },
    panLeft: () => pan(-1, 0),
    panRight: () => pan(1, 0),
    panUp: () => pan(0, -1),
    panDown: () => pan(0, 1),
  };

  /* ---- buttons ----------------------------------------------------------- */

  const press = (act) => button("", () => (actions[act] ? actions[act]() : app.act(act)), { "data-act": act });
  const toggles = { set: press("sharpSet"), whole: press("whole"), play: press("play") };
  const others = ["flicker", "hold", "best", "lastPass", "nextPass"].map(press);
  const deckButtons = ["earlier", "later", "keep", "reject", "proposal", "rejectBurst", "takeBack", "goOn"].map(press);
  tools.append(...Object.values(toggles), ...others);
  deck.append(...deckButtons);

  function label() {
    for (const node of [...tools.children, ...deck.children]) {
      const act = node.dataset.act,
        place = actions[act] ? "pass" : "everywhere";
      node.replaceChildren(el("span", {}, words.acts[place][act]), el("kbd", {}, keySign(place, act)));
      if (words.pass.describe[act]) node.title = words.pass.describe[act];
    }
  }

  const swipe = { x: 0, y: 0 };
  stage.root.addEventListener(
    "touchstart",
    (e) => {
      [swipe.x, swipe.y] = [e.touches[0].clientX, e.touches[0].clientY];
    },
    { passive: true },
  );
  stage.root.addEventListener(
    "touchend",
    (e) => {
      const dx = e.changedTouches[0].clientX - swipe.x,
        dy = e.changedTouches[0].clientY - swipe.y;
      if (Math.abs(dx) > 40 && Math.abs(dx) > 2 * Math.abs(dy)) step(dx < 0 ? 1 : -1);
    },
    { passive: true },
  );

  return {
    name: "pass",
    root,
    actions,
    focus: () => curve.root,
    async show({ burst, pass: which, frame: id } = {}) {
      label();
      if (!burst) {
        const next = store.nextOpen(-1) || store.passes()[0];
        if (!next) return app.go("hours");
        [burst, which] = [next.burst.burst, next.pass.pass];
      }
      const same = detail?.burst === burst && pass === which && !id;
      await open(burst, which, same ? frame().id : id);
    },
    hide: halt,
    update(kind, number) {
      if (kind === "keys") label();
      if (kind !== "burst" || !detail || number !== detail.burst) return;
      const id = frame().id;
      detail = store.known(number) || detail;
      at = Math.max(
        0,
        detail.frames.findIndex((f) => f.id === id),
      );
      if (!stop) render();
    },
    recolour() {},
    here: () => (detail ? { burst: detail.burst, pass, frame: frame().id } : null),
  };
}
