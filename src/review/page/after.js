/* After looking: what chaffinch-apply would do, and the command to copy. The page itself moves nothing. */
import { el, button, say } from "./dom.js";
import { get } from "./api.js";
import { keySign } from "./keys.js";
import * as store from "./store.js";
import { words } from "./words.js";

export function createAfter(app) {
  const title = el("h2", {}, words.places.after),
    done = el("p", { class: "sum" }),
    plan = el("p"),
    left = el("p");
  const command = el("code", { tabindex: 0, "aria-label": words.after.command });
  const copy = button("", () => copyCommand(), { class: "main" });
  const root = el(
    "section",
    { class: "place after", "aria-label": words.places.after },
    title,
    done,
    plan,
    left,
    el("p", {}, words.after.how),
    el("div", { class: "command" }, command, copy),
    el("p", { class: "limits" }, words.after.never),
  );

  async function show() {
    say(done, words.after.judged(store.session()));
    copy.replaceChildren(words.after.copy, el("kbd", {}, keySign("after", "copy")));
    const apply = await get("api/apply").catch((problem) => ({ problem }));
    say(plan, apply.problem ? words.refused(apply.problem.message) : words.after.plan(apply.move));
    say(left, apply.problem ? "" : words.after.left(apply.undecided));
    say(command, apply.command || "");
  }

  /* Where the clipboard is refused, the command is selected for the person's own copy key. */
  async function copyCommand() {
    try {
      await navigator.clipboard.writeText(command.textContent);
      app.announce(words.after.copied, true);
    } catch {
      getSelection().selectAllChildren(command);
      app.announce(words.after.selected, true);
    }
  }

  return {
    name: "after",
    root,
    focus: () => copy,
    show,
    hide() {},
    update: show,
    recolour() {},
    actions: { copy: copyCommand },
  };
}
