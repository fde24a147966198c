/* All keys on one sheet; each can be changed here. Also light or dark. */
import { el, button, say } from "./dom.js";
import { acts, bind, holder, keySign, nameOf, saveSettings, unbindAll } from "./keys.js";
import { words } from "./words.js";

const NEVER = ["Tab", "Escape", "Shift", "Control", "Alt", "Meta", "Shift+Tab", "Dead", "Unidentified"];

export function createHelp(app) {
  const message = el("p", { role: "status", class: "hint" });
  const tables = el("div", { class: "key-tables" });
  const theme = el("fieldset", { class: "row" }, el("legend", {}, words.help.theme));
  const root = el(
    "dialog",
    { class: "help", "aria-label": words.help.title },
    el(
      "div",
      { class: "row spread" },
      el("h2", {}, words.help.title),
      button(words.help.close, () => root.close()),
    ),
    el("p", { class: "hint" }, words.help.hint),
    message,
    theme,
    tables,
    el(
      "p",
      {},
      button(words.help.original, async () => {
        await unbindAll();
        fill();
        app.keysChanged();
      }),
    ),
  );
  let waiting = null;

  for (const name of ["auto", "light", "dark"])
    theme.append(
      el(
        "label",
        {},
        el("input", { type: "radio", name: "theme", value: name, on: { change: () => choose(name) } }),
        ` ${words.help.themes[name]}`,
      ),
    );

  function choose(name) {
    app.setTheme(name);
    saveSettings({ theme: name });
  }

  function fill() {
    waiting = null;
    tables.replaceChildren(
      ...Object.keys(acts)
        .filter((place) => Object.keys(acts[place]).length)
        .map(tableOf),
    );
    for (const input of theme.querySelectorAll("input")) input.checked = input.value === app.theme();
  }

  function tableOf(place) {
    const rows = Object.keys(acts[place]).map((act) => {
      const key = button(keySign(place, act), () => listen(place, act, key), {
        class: "key",
        "aria-label": words.help.change(words.acts[place][act], keySign(place, act)),
      });
      return el("tr", {}, el("td", {}, words.acts[place][act]), el("td", {}, key));
    });
    return el("table", {}, el("caption", {}, words.places[place]), el("tbody", {}, ...rows));
  }

  function listen(place, act, node) {
    fill();
    waiting = { place, act };
    say(message, words.help.press(words.acts[place][act]));
    root.focus();
    node.textContent = "…";
  }

  root.addEventListener("keydown", async (e) => {
    const key = nameOf(e);
    if (!waiting || NEVER.includes(key)) return;
    e.preventDefault();
    const { place, act } = waiting,
      taken = holder(place, key);
    if (taken && (taken[0] !== place || taken[1] !== act))
      return say(message, words.help.taken(key, words.acts[taken[0]][taken[1]]));
    await bind(place, act, key);
    say(message, words.help.bound(words.acts[place][act], keySign(place, act)));
    fill();
    app.keysChanged();
  });

  root.addEventListener("close", () => app.refocus());
  return {
    root,
    open() {
      fill();
      say(message, "");
      root.showModal();
    },
  };
}
