/* Every word that the page says, in one place. */

const count = (n, noun, more = `${noun}s`) => `${n.toLocaleString("en")} ${n === 1 ? noun : more}`;
const px = (value) => (value < 10 ? value.toFixed(2) : value.toFixed(0));
const day = (start) => (start ? start.slice(0, 10) : "");
const clock = (start, digits = 8) => (start ? start.slice(11, 11 + digits) : "no time");
const share = (v) => `${(100 * v).toFixed(v < 0.1 ? 1 : 0)} %`;
const percent = (v) => `${Math.round(100 * v)} %`;

function bytes(n) {
  const units = ["bytes", "kB", "MB", "GB", "TB"];
  let k = 0;
  while (n >= 1000 && k < units.length - 1) ((n /= 1000), k++);
  return `${k ? n.toFixed(1) : n} ${units[k]}`;
}

const takenBack = {
  keep: "keep",
  reject: "reject",
  clear: "back to the proposal",
  "accept-keep": "accept",
  "accept-reject": "accept",
  "accept-none": "accept",
  unaccept: "no longer accepted",
  shortlist: "one step up",
  unshortlist: "one step down",
  recall: "brought back",
  unrecall: "empty after all",
  ignore: "an area to ignore",
  "keep-out": "an area kept out of crops",
  "remove-area": "an area removed",
};
const outcomes = { keep: "keep", reject: "reject", none: "for your eyes" };
const good = (v) => `good to ${v} px`;
const offset = (ms) =>
  Math.abs(ms) < 0.05
    ? ""
    : `${ms > 0 ? "+" : "−"}${Math.abs(ms) < 1000 ? `${Math.abs(ms).toFixed(0)} ms` : `${(Math.abs(ms) / 1000).toFixed(2)} s`}`;
const joined = (parts, between = " · ") => parts.filter(Boolean).join(between);

function stateOf(f) {
  if (f.decision)
    return `you decided: ${outcomes[f.decision]}${f.proposal === f.decision ? "" : ` (proposed: ${outcomes[f.proposal] || outcomes.none})`}`;
  if (f.in_camera) return "keep: marked in the camera";
  if (f.accepted) return `accepted: ${outcomes[f.outcome]}`;
  return `proposed: ${outcomes[f.outcome]}`;
}

const judged = { no: "not judged yet", part: "partly judged", yes: "judged" };
const stays = (p) =>
  joined(
    [
      p.keep && `${p.keep} stay${p.keep === 1 ? "s" : ""}`,
      p.reject && `${p.reject} go`,
      p.eyes && `${p.eyes} for your eyes`,
    ],
    ", ",
  ) || "nothing proposed";
const passName = ({ burst, pass }) =>
  burst.passes.length > 1
    ? `burst ${burst.burst}, pass ${pass.pass} of ${burst.passes.length}`
    : `burst ${burst.burst}`;

/* Reasons in a word or two, where a sentence has no room. */
const why = {
  "too-few": "too few frames",
  "not-sure": "not sure",
  "not-scored": "not scored yet",
  "sharp-set": "as sharp as the kept ones",
  unreadable: "cannot be read",
  format: "format not scored",
};

export const words = {
  title: (session, place) => `${place} – ${session} – chaffinch`,
  places: {
    all: "Places",
    everywhere: "Everywhere",
    hours: "Hours",
    pass: "Pass",
    eyes: "For your eyes",
    empties: "Empties",
    shortlist: "Shortlist",
    areas: "Areas",
    after: "After looking",
  },
  readOnly: "This session can only be read: decisions cannot be saved here.",
  lost: "The engine does not answer. Everything that was saved is safe in the session; the last key may not be. Type 'chaffinch review' again and open the address that it prints. This page goes on by itself if the engine comes back here.",
  refused: (cause) => `Not saved, and shown as it was before: ${cause}`,
  noStart: (cause) =>
    `This page cannot start: ${cause}. Type 'chaffinch review' again and open the address that it prints.`,
  undone: (act, n) => `Taken back: ${takenBack[act] || act}${n > 1 ? `, ${count(n, "frame")}` : ""}`,
  nothingToUndo: "Nothing is left to take back.",
  reasons: { none: "no picture" },
  progress: {
    label: "Passes judged",
    short: (done, all) => `${done} of ${all} judged`,
    spoken: (done, all) => `${done} of ${all} passes judged`,
    measuring: (m) =>
      m.done >= m.total
        ? "The engine chooses: passes join by themselves and can be judged at once."
        : `Measuring goes on: ${m.done} of ${count(m.total, "frame")}. What is ready can be judged; the rest joins by itself.`,
  },
  hours: {
    label: "Line of hours: passes in time",
    preview: "Best frame of the pass",
    shapes: { open: "open", part: "partly judged", stays: "judged, something stays", goes: "judged, nothing stays" },
    look: "Look at this pass",
    resume: "Go on with the next open pass",
    allJudged: "All judged: after looking",
    byPromise: "Most promising first",
    byTime: "In order of time",
    nearer: "Nearer",
    farther: "Farther",
    none: (s) =>
      s.bursts.every((b) => b.ranked)
        ? "No pass was found in this session."
        : s.measuring?.running
          ? "No pass is ready yet."
          : "Nothing is chosen yet: type 'chaffinch rank' with this session.",
    sum(s) {
      const n = s.bursts.reduce((sum, b) => sum + b.passes.length, 0),
        days = [...new Set(s.bursts.map((b) => day(b.start)).filter(Boolean))];
      return joined([
        days.length > 1 ? `${days[0]} to ${days[days.length - 1]}` : days[0],
        count(s.bursts.length, "burst"),
        count(n, "pass", "passes"),
      ]);
    },
    title: (p) => `${clock(p.burst.start)}, ${passName(p)}`,
    facts: ({ burst, pass }) =>
      joined([
        count(pass.frames, "frame"),
        `${(burst.duration_s || 0).toFixed(2)} s`,
        pass.good_to_px && `best ${good(pass.good_to_px)}`,
        burst.perch && "perch burst",
        burst.nothing_sharp && "nothing sharp",
      ]),
    verdict: ({ pass }) => `${judged[pass.judged]}: ${stays(pass)}`,
    spoken: (p, i, n) =>
      `Pass ${i} of ${n}, ${clock(p.burst.start)}, ${passName(p)}, ${p.pass.good_to_px ? `best ${good(p.pass.good_to_px)}` : "sharpness not known"}, ${judged[p.pass.judged]}, ${stays(p.pass)}`,
  },
  curve: {
    label: "Frames in time; the higher, the sharper",
    sharpAt: "sharp at … px",
    from: (d, t) =>
      d.start ? joined([clock(d.start, 12).replace(/[+Z].*/, ""), t > 0 && `+${(t / 1000).toFixed(2)} s`], " ") : "",
    to: ([from, to]) => `${((to - from) / 1000).toFixed(2)} s`,
  },
  path: { label: "Where the subject was in the frame; a larger dot is sharper" },
  whole: { label: "The whole frame" },
  pass: {
    empty: "No frame",
    deck: "Decide",
    tools: "Ways to look",
    limits:
      "The engine judges sharpness, and whether all of the subject is there. It does not judge expression or pose: that is yours.",
    title: (d, pass) =>
      joined(
        [
          clock(d.start),
          pass && d.passes.length > 1 ? `burst ${d.burst}, pass ${pass} of ${d.passes.length}` : `burst ${d.burst}`,
        ],
        ", ",
      ),
    when: (d, p) =>
      joined([
        count(d.frames.length, "frame"),
        d.perch && "perch burst",
        d.nothing_sharp && "nothing sharp in it",
        p && `${judged[p.judged]}: ${stays(p)}`,
      ]),
    caption: (f, s, ms) =>
      joined([offset(ms) || "this frame", f.rank && `rank ${f.rank}`, s?.good_to_px && good(s.good_to_px)]),
    picture: (f, i, n) => `Frame ${i} of ${n}, ${f.name}, 1:1`,
    state: stateOf,
    unreadable: (f) => `This frame cannot be read: ${f.cause}. It stays where it is.`,
    figures(f, s) {
      const rows = [
        ["frame", f.name],
        [
          "exposure",
          joined([
            f.shutter && `${f.shutter} s`,
            f.aperture,
            f.iso && `ISO ${f.iso}`,
            f.focal_mm && `${f.focal_mm} mm`,
          ]),
        ],
      ];
      if (s?.good_to_px)
        rows.push([
          "sharpness",
          joined([
            good(s.good_to_px),
            s.blur_px && `blur ${px(s.blur_px)} px${s.low_px ? ` (${px(s.low_px)} to ${px(s.high_px)})` : ""}`,
          ]),
        ]);
      else rows.push(["sharpness", s ? "not known" : "no subject here"]);
      const clipped = s?.clipped ?? f.clipped;
      if (clipped > 0.0005) rows.push(["clipped highlights", share(clipped)]);
      if (f.judged_w && f.judged_w < f.w) rows.push(["judged on", `a ${f.judged_w} × ${f.judged_h} preview`]);
      return rows.filter(([, value]) => value);
    },
    spoken: (f, s, i, n) =>
      joined(
        [
          `Frame ${i} of ${n}`,
          stateOf(f),
          f.state === "unreadable" ? `unreadable: ${f.cause}` : f.sentence,
          s?.good_to_px && good(s.good_to_px),
        ],
        ", ",
      ),
    held: (f) => `${f.name} is held: flicker compares with it.`,
    describe: {
      sharpSet: "The whole sharp set at once",
      flicker: "Swap with the held frame, or with the best",
      hold: "Hold this frame to compare with",
      play: "Play at a fifth of real speed",
      whole: "Whole frame, zoom and pan",
      best: "The best frame of the pass",
      lastPass: "The pass before, nothing accepted",
      nextPass: "The next pass, nothing accepted",
    },
    flicker: (f) => `Showing ${f.name}.`,
    nothingToPlay: "There is nothing to play here.",
    allRejected: (n, marked) =>
      `${count(n, "frame")} of this burst ${n === 1 ? "is" : "are"} rejected${marked ? `; ${count(marked, "frame")} marked in the camera stay` : ""}. Take it back with one key.`,
    accepted: (p, next) =>
      `Accepted: ${stays(p)}. ${next ? `Next: ${passName(next)}, ${clock(next.burst.start)}.` : "All passes are judged."}`,
    lastPass: "This is the last pass.",
    firstPass: "This is the first pass.",
  },
  eyes: {
    more: (f) => `, ${stateOf(f)}, ${f.state === "unreadable" ? `unreadable: ${f.cause}` : f.cause || f.sentence}`,
    hint: "Here the engine proposes nothing: unreadable, too few frames, not sure, or as sharp as what it keeps. What you leave stays where it is.",
    sum: (open, all) =>
      all ? `${count(open, "frame")} left of ${all} for your eyes` : "No frame waits for your eyes.",
    caption: (number, f) => joined([`burst ${number}`, f.name, why[f.reason] || f.reason || f.state]),
  },
  empties: {
    hint: (back, reject) =>
      `Nothing was seen in these bursts; what you leave stays where it is. ${back} brings a burst back: the next 'chaffinch measure' decodes it in full and looks again. ${reject} rejects it.`,
    sum: (n, back) => (n ? joined([count(n, "burst"), back && `${back} brought back`]) : "No burst is empty."),
    caption: (b) => (b.recalled ? "brought back" : b.eyes === 0 ? "reject" : clock(b.start)),
    more: (b) =>
      joined(
        [
          `, burst ${b.burst}`,
          count(Array.isArray(b.frames) ? b.frames.length : b.frames, "frame"),
          !b.recalled && "empty",
        ],
        ", ",
      ),
  },
  shortlist: {
    hint: "All keepers, every subject at one size. One step up puts a frame on the shortlist; leave it and go on.",
    sum: (up, all) =>
      all ? `${up} on the shortlist, of ${count(all, "keeper")}` : "Nothing is kept yet: judge some passes first.",
    only: "Only the shortlist",
    smaller: "Smaller",
    larger: "Larger",
    caption: (k) => joined([clock(k.time), k.good_to_px && good(k.good_to_px)]),
    more: (k) => `, ${k.name.split("/").pop()}`,
    spoken: (k) =>
      joined(
        [clock(k.time), k.good_to_px && good(k.good_to_px), k.shortlist ? "on the shortlist" : "not on the shortlist"],
        ", ",
      ),
  },
  areas: {
    hint: "Drawn once for a set-up. Drag over the picture; or focus the frame, move it with the arrow keys and size it with Shift and the arrow keys. Then say what it is for. It counts from the next 'chaffinch measure' on.",
    none: "No set-up has been measured yet.",
    setups: "Set-ups",
    setup: (n) => `Set-up ${n}`,
    draft: "New area",
    ignore: "Ignore what moves here",
    keepOut: "Keep this out of crops",
    remove: "Remove",
    spoken: (b) =>
      `New area: ${percent(b.x)} from the left, ${percent(b.y)} from the top, ${percent(b.w)} wide, ${percent(b.h)} high. Arrow keys move it, Shift and arrow keys size it.`,
    line: (a, b) =>
      `${a.kind === "ignore" ? "ignored" : "kept out of crops"}: ${percent(b.w)} × ${percent(b.h)} at ${percent(b.x)}, ${percent(b.y)}`,
    removeOne: (a, b) => `Remove the area ${percent(b.x)} from the left, ${percent(b.y)} from the top`,
    saved: (kind) => (kind === "ignore" ? "Saved: what moves there is ignored." : "Saved: it is kept out of crops."),
  },
  after: {
    judged(s) {
      const all = s.bursts.flatMap((b) => b.passes),
        done = all.filter((p) => p.judged === "yes").length;
      return done === all.length
        ? `All ${count(all.length, "pass", "passes")} are judged.`
        : `${done} of ${count(all.length, "pass", "passes")} are judged. The others go by the proposals.`;
    },
    plan: (m) =>
      `chaffinch-apply would move ${count(m.frames, "frame")}, ${count(m.files, "file")}, ${bytes(m.bytes)}, to the rejects. Nothing is deleted, and one command puts all of it back.`,
    left: (n) =>
      n
        ? `${count(n, "frame")} ${n === 1 ? "is" : "are"} for your eyes and ${n === 1 ? "stays" : "stay"} where ${n === 1 ? "it is" : "they are"}.`
        : "",
    how: "Type this in a terminal when you are ready:",
    command: "Command",
    copy: "Copy the command",
    copied: "Copied.",
    selected: "The command is marked: copy it with your own key.",
    never: "This page never moves or deletes a file.",
  },
  help: {
    title: "Keys",
    close: "Close",
    hint: "Choose a key to change it.",
    theme: "Light or dark",
    themes: { auto: "as the system", light: "light", dark: "dark" },
    original: "All keys as they were",
    change: (act, key) => `${act}: ${key}. Change the key`,
    press: (act) => `Press the new key for “${act}”. Escape leaves it as it is.`,
    taken: (key, act) => `${key} already does “${act}”. Press another key.`,
    bound: (act, key) => `“${act}” is now ${key}.`,
  },
  acts: {
    everywhere: {
      hours: "Hours",
      pass: "Pass",
      eyes: "For your eyes",
      empties: "Empties",
      shortlist: "Shortlist",
      areas: "Areas",
      after: "After looking",
      takeBack: "Take back",
      help: "Keys",
    },
    hours: {
      earlier: "Earlier",
      later: "Later",
      first: "First",
      last: "Last",
      look: "Look at this pass",
      nearer: "Nearer",
      farther: "Farther",
      order: "Most promising first, or in time",
      back10: "Ten back",
      on10: "Ten on",
    },
    pass: {
      earlier: "Earlier",
      later: "Later",
      keep: "Keep",
      reject: "Reject",
      goOn: "Accept and go on",
      proposal: "Back to the proposal",
      rejectBurst: "Reject the burst",
      best: "Best",
      first: "First frame",
      last: "Last frame",
      nextPass: "Next",
      lastPass: "Before",
      sharpSet: "Sharp set",
      flicker: "Flicker",
      hold: "Hold",
      play: "Play",
      whole: "Whole",
      nearer: "Nearer",
      farther: "Farther",
      panLeft: "Move left",
      panRight: "Move right",
      panUp: "Move up",
      panDown: "Move down",
    },
    eyes: {
      earlier: "Earlier",
      later: "Later",
      keep: "Keep",
      reject: "Reject",
      proposal: "Leave it open",
      look: "Look closely",
    },
    empties: {
      earlier: "Earlier",
      later: "Later",
      rowUp: "Row above",
      rowDown: "Row below",
      recall: "Bring back",
      rejectBurst: "Reject the burst",
      look: "Look closely",
    },
    shortlist: {
      earlier: "Earlier",
      later: "Later",
      stepUp: "One step up",
      stepDown: "Step down",
      leave: "Leave, go on",
      look: "Look closely",
      only: "Only the shortlist",
      nearer: "Larger",
      farther: "Smaller",
    },
    after: { copy: "Copy the command" },
  },
};
