/* A set of tiles of which one is looked at: one stop for Tab, arrows move inside. */

export function createRoving(root, chosen = () => {}) {
  let tiles = [],
    at = 0;

  function set(list) {
    tiles = list;
    at = Math.max(0, Math.min(at, tiles.length - 1));
    tiles.forEach((tile, i) => {
      tile.tabIndex = i === at ? 0 : -1;
    });
  }

  function move(to, focus = true) {
    if (!tiles.length) return;
    if (tiles[at]) tiles[at].tabIndex = -1;
    at = Math.max(0, Math.min(tiles.length - 1, to));
    tiles[at].tabIndex = 0;
    if (focus) tiles[at].focus({ preventScroll: true });
    tiles[at].scrollIntoView({ block: "nearest" });
    chosen(at);
  }

  /* Tiles of the row above or below: the nearest across. */
  function row(d) {
    const here = tiles[at]?.getBoundingClientRect();
    if (!here) return;
    let best = -1,
      least = Infinity;
    tiles.forEach((tile, i) => {
      const r = tile.getBoundingClientRect(),
        down = (r.top - here.top) * d;
      if (down <= here.height / 2) return;
      const far = down * 4 + Math.abs(r.left - here.left);
      if (far < least) [best, least] = [i, far];
    });
    if (best >= 0) move(best);
  }

  root.addEventListener("focusin", (e) => {
    const i = tiles.indexOf(e.target);
    if (i >= 0 && i !== at) move(i, false);
  });
  return {
    set,
    move,
    row,
    step: (d) => move(at + d),
    get at() {
      return at;
    },
    get node() {
      return tiles[at] || null;
    },
  };
}
