"""How long a person waits: measured in the browser, from the key to the picture."""
import statistics
import time

import rig

# From the key to the animation frame in which another frame stands in the middle at 1:1.
KEY_TO_PICTURE = """
const [key, done] = arguments;
function pane() {
  const shown = document.querySelector('.stage .middle .pane')?.dataset.shown;
  return shown ? `${document.querySelector('.pass h2').textContent} ${shown}` : '';
}
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


# The session as the engine tells it, grown to 2,000 passes over a day with two quiet hours in it.
TWO_THOUSAND = """
const plain = window.fetch;
window.fetch = async (address, ...rest) => {
  const response = await plain(address, ...rest);
  if (!String(address).endsWith('api/session')) return response;
  const session = await response.json(), some = session.bursts.filter((b) => b.passes.length && b.clock_s !== null);
  let clock = 6 * 3600, seed = 1;
  const chance = () => (seed = (seed * 48271) % 2147483647) / 2147483647;
  session.bursts = Array.from({ length: 2000 }, (_, i) => {
    clock += i === 700 || i === 1400 ? 7200 : 14 * chance();
    const like = some[i % some.length], pass = { ...like.passes[0], sharpness: chance(), judged: ['no', 'part', 'yes'][i % 3] };
    return { ...like, burst: i + 1, clock_s: clock, start: '2026-05-16T00:00:00', passes: [pass] };
  });
  return new Response(JSON.stringify(session));
};
"""
# Every animation frame another step: nearer, along, the cursor over the line, farther. Times between frames.
MOVING = """
const done = arguments[0], line = document.querySelector('.hours-line'), box = line.getBoundingClientRect(), gaps = [];
const key = (k) => line.dispatchEvent(new KeyboardEvent('keydown', { key: k, bubbles: true, cancelable: true }));
const hover = (n) => line.dispatchEvent(new PointerEvent('pointermove', { pointerId: 1, clientX: box.left + 7 * n, clientY: box.top + 50, bubbles: true }));
let last = 0, n = 0;
requestAnimationFrame(function step(now) {
  if (last) gaps.push(now - last);
  last = now;
  if (n < 10) key('+'); else if (n < 60) key('ArrowRight'); else if (n < 120) hover(n); else key(n % 2 ? '-' : '+');
  if (++n < 140) requestAnimationFrame(step); else done(gaps);
});
"""


def many_passes(checks, page):
    script = page.driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": TWO_THOUSAND})
    page.open("hours")
    checks.that(page.js("return document.querySelector('.hours-line').getAttribute('aria-valuemax')") == "2000", "2,000 passes on the line of hours")
    gaps = page.wait_js(MOVING)
    print(f"speed: moving among 2,000 passes: {statistics.median(gaps):.0f} ms between pictures, worst {max(gaps):.0f} ms")
    checks.that(statistics.median(gaps) < 34, "2,000 passes move smoothly")
    page.driver.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", {"identifier": script["identifier"]})


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
        many_passes(checks, page)
    finally:
        page.quit()
        engine.stop()
