"""The page at three widths, light and dark, to be looked at; and what can be told of looks without eyes."""
import os
import time

import rig

SIZES = ((390, 844), (1280, 800), (2560, 1440))
PLACES = ("hours", "pass/3/1", "shortlist")


def check(checks, out, session, crowd, store):
    engine = rig.Engine(out, session).start()
    page = rig.Page(engine)
    try:
        for width, height in SIZES:
            page.size(width, height)
            for place in PLACES:
                page.open(place)
                if place.startswith("pass"):
                    page.settled()
                time.sleep(0.7)
                page.shot(os.path.join(store, f"{place.split('/')[0]}-{width}.png"))
                wide = page.js("return document.documentElement.scrollWidth")
                checks.that(wide <= width, f"{place} at {width} px: nothing stands out at the side ({wide} px)")
        narrow(checks, page)
        true_pixels(checks, page)
        same_as_sheet(checks, engine, page)
        page.complaints()
    finally:
        page.quit()
        engine.stop()
    wall(checks, out, crowd, store)


def narrow(checks, page):
    """320 px, and text at 200 %."""
    page.size(320, 640)
    for place in ("hours", "pass/3/1", "eyes", "shortlist", "areas", "after"):
        page.open(place)
        time.sleep(0.15)
        wide = page.js("return document.documentElement.scrollWidth")
        checks.that(wide <= 320, f"{place} at 320 px: nothing stands out at the side ({wide} px)")
    page.size(1280, 800)
    page.open("pass/3/1")
    page.js("document.documentElement.style.fontSize = '200%'")
    time.sleep(0.3)
    checks.that(page.js("return document.documentElement.scrollWidth") <= 1280, "text at 200 %: nothing stands out at the side")
    checks.that(page.js("const b = document.querySelector('[data-act=goOn]').getBoundingClientRect(); return b.right <= innerWidth && b.width > 0"),
                "text at 200 %: accept and go on is in sight")


def true_pixels(checks, page):
    """One px of the picture is one px of the screen: the pane holds the same numbers as the crop that the engine cut."""
    page.open("pass/3/1")
    page.settled()
    same = page.wait_js(TRUE_PIXELS)
    checks.that(same, "the subject stands there pixel for pixel")


def same_as_sheet(checks, engine, page):
    """The contact sheet draws the curve of a pass at the same heights as the page."""
    sheet = os.path.join(engine.session, "sheet.html")
    engine.run("sheet", engine.session, "-o", sheet)
    page.open("pass/4/1")
    page.settled()
    heights = "return [...document.querySelectorAll(arguments[0])].map((n) => [n.getAttribute('class'), n.getAttribute('cy') || n.getAttribute('y1')])"
    here = page.js(heights, ".curve circle:not(.other), .curve .grid, .curve .base")
    colours = "const s = getComputedStyle(document.querySelector(arguments[0])); return [s.fill, s.stroke]"
    kept = page.js(colours, ".curve circle.keep")
    page.driver.get("file://" + sheet)
    there = page.js(heights, "#b4 .curve circle, #b4 .curve .grid, #b4 .curve .base")
    os.remove(sheet)
    level = lambda found: sorted((kind, float(y)) for kind, y in found if kind in ("keep", "grid", "base"))
    page_at, sheet_at = level(here), level(there)
    # Both round to tenths, one of them from a number that was rounded before.
    same = len(page_at) == len(sheet_at) and all(a[0] == b[0] and abs(a[1] - b[1]) < 0.15 for a, b in zip(page_at, sheet_at))
    if not same:
        print("   page:", page_at, "sheet:", sheet_at)
    checks.that(len(page_at) > 5 and same, f"page and contact sheet draw one curve ({len(page_at)} heights)")
    checks.that(kept == page.js(colours, "#b4 .curve circle.keep"), "in one colour")


TRUE_PIXELS = """
const done = arguments[0];
(async () => {
  const canvas = document.querySelector('.stage .middle canvas'), id = canvas.parentNode.dataset.shown;
  const crop = performance.getEntriesByType('resource').map((e) => e.name).filter((n) => n.includes(`/${id}/crop/`)).pop();
  const bitmap = await createImageBitmap(await (await fetch(crop)).blob());
  const c = new OffscreenCanvas(bitmap.width, bitmap.height).getContext('2d');
  c.drawImage(bitmap, 0, 0);
  const whole = c.getImageData(0, 0, bitmap.width, bitmap.height).data, size = 16;
  const part = canvas.getContext('2d').getImageData(canvas.width >> 1, canvas.height >> 1, size, size).data;
  const at = (x, y, i, j) => 4 * ((y + j) * bitmap.width + x + i);
  for (let y = 0; y + size <= bitmap.height; y++)
    next: for (let x = 0; x + size <= bitmap.width; x++) {
      for (let j = 0; j < size; j++)
        for (let i = 0; i < size; i++)
          for (let k = 0; k < 3; k++)
            if (whole[at(x, y, i, j) + k] !== part[4 * (j * size + i) + k]) continue next;
      return done(true);
    }
  done(false);
})();
"""


def wall(checks, out, crowd, store):
    """60 or more empties are in sight at 1280 px, and one key brings one back."""
    engine = rig.Engine(out, crowd).start()
    page = rig.Page(engine)
    try:
        page.open("empties")
        page.until("return document.querySelectorAll('.wall .tile').length >= 60", "the wall of empties")
        time.sleep(0.5)
        seen = page.js("return [...document.querySelectorAll('.wall .tile')].filter((t) => t.getBoundingClientRect().bottom <= innerHeight).length")
        checks.that(seen >= 60, f"{seen} empties are in sight at 1280 px")
        page.shot(os.path.join(store, "empties-1280.png"))
        page.press("right", "r")
        page.until("return document.querySelectorAll('.wall .lifted').length === 1", "an empty burst that is lifted")
        time.sleep(0.3)
        back = [b for b in page.get("api/session")["bursts"] if b.get("recalled")]
        checks.that(len(back) == 1, "one key brings an empty burst back")
        page.press("r", "n")
        page.until("return document.querySelectorAll('.wall .fallen').length === 1", "a burst that has fallen")
        checks.that(sum(r["decision"] == "reject" for r in engine.frames().values()) == 5, "one key rejects the five frames of an empty burst")
        page.press("back")
        page.until("return document.querySelectorAll('.wall .fallen').length === 0", "a burst that is back")
    finally:
        page.quit()
        engine.stop()
