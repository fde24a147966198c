"""How long a person waits: measured in the browser, from the key to the picture."""
import statistics
import time

import rig

# From the key to the animation frame in which another frame stands in the middle at 1:1.
KEY_TO_PICTURE = """
const [key, done] = arguments, pane = () => document.querySelector('.stage .middle .pane')?.dataset.shown || '';
const before = pane(), start = performance.now();
document.activeElement.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true, cancelable: true }));
(function look() {
  const now = pane();
  if (now && now !== before) done(performance.now() - start);
  else if (performance.now() - start > 5000) done(5000);
  else requestAnimationFrame(look);
})();
"""
BOUND_MS = {"first view": 1000, "next pass": 150, "next frame": 50}


def measure(page, key, times, think):
    found = []
    for _ in range(times):
        time.sleep(think)  # a person looks before the next key: that is when pictures are prepared
        found.append(page.wait_js(KEY_TO_PICTURE, key))
    return found


def check(checks, out, session, crowd, store):
    engine = rig.Engine(out, session).start()
    page = rig.Page(engine)
    try:
        found = {"first view": []}
        for _ in range(3):
            page.open()
            found["first view"].append(page.js("return performance.getEntriesByName('chaffinch: ready')[0].startTime"))
        page.press("enter")
        page.settled()
        found["next frame"] = measure(page, "ArrowRight", 8, 0.15) + measure(page, "ArrowLeft", 8, 0.1)
        found["next pass"] = measure(page, "PageDown", 8, 0.6)
        for name, times in found.items():
            print(f"speed: {name}: median {statistics.median(times):.0f} ms, worst {max(times):.0f} ms of {len(times)}")
            checks.that(statistics.median(times) < BOUND_MS[name], f"{name} under {BOUND_MS[name]} ms")
    finally:
        page.quit()
        engine.stop()
