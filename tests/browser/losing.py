"""A killed browser and a killed engine lose nothing; two tabs stay in step; a refused act is taken back on the page."""
import time

import rig


def check(checks, out, session, crowd, store):
    engine = rig.Engine(out, session).start()
    try:
        browser_killed(checks, engine)
        engine_killed(checks, engine)
        two_tabs(checks, engine)
        refused(checks, engine)
    finally:
        engine.stop()


def look(page, place="pass/2/1"):
    page.open(place)
    page.settled()
    page.js("document.querySelector('.navigator').focus()")


def name_of(page):
    return page.text(".figures dd")


def decision(engine, name):
    return next(r["decision"] for path, r in engine.frames().items() if path.endswith(name))


def browser_killed(checks, engine):
    page = rig.Page(engine)
    look(page)
    page.press("right", "right")
    name = name_of(page)
    page.press("up")
    page.kill()  # right after the key
    time.sleep(0.3)
    checks.that(decision(engine, name) == "keep", "a browser that is killed right after a key loses nothing")


def engine_killed(checks, engine):
    page = rig.Page(engine)
    try:
        look(page, "pass/4/1")
        page.press("left")
        name = name_of(page)
        page.press("up")
        time.sleep(0.3)
        engine.kill()
        page.press("right")
        page.until("return !document.querySelector('.alarm').hidden", "the page says that the engine is gone")
        page.press("up")
        page.until("return document.querySelector('.live').textContent.includes('Not saved')", "a key that cannot be saved is told")
        checks.that("you decided" not in page.text(".pass .state"), "and is not shown as saved")
        engine.start()
        checks.that(decision(engine, name) == "keep", "a killed engine loses nothing")
        page.open()
        checks.that(page.js("return location.hash") == "#hours/4/1", "one goes on where one left off")
    finally:
        page.quit()


def two_tabs(checks, engine):
    page = rig.Page(engine)
    try:
        look(page)
        name = name_of(page)
        first = page.driver.current_window_handle
        page.driver.switch_to.new_window("tab")
        page.size(1280, 800)
        look(page)
        page.press("down")
        page.driver.switch_to.window(first)
        began = time.time()
        page.until("return document.querySelector('.pass .state').textContent.includes('you decided: reject')", "the other tab shows it", 10)
        checks.that(decision(engine, name) == "reject", f"two tabs stay in step ({1000 * (time.time() - began):.0f} ms)")
        engine.run("decide", engine.session, "keep", next(p for p in engine.frames() if p.endswith(name)))
        page.until("return document.querySelector('.pass .state').textContent.includes('you decided: keep')", "a decision on the command line is shown", 15)
        checks.that(True, "a decision on the command line reaches the page")
    finally:
        page.quit()


def refused(checks, engine):
    """The engine says no: the page shows the frame as it was, and says why."""
    page = rig.Page(engine)
    try:
        look(page, "pass/4/1")
        before = page.text(".pass .state")
        page.js("const f = fetch; window.fetch = (a, o) => (o?.method === 'POST' ? Promise.resolve(new Response('{\"error\":\"the disk is full\"}', { status: 500 })) : f(a, o))")
        page.press("down")
        page.until("return document.querySelector('.live').textContent.includes('the disk is full')", "the cause is told")
        checks.that(page.text(".pass .state") == before, "a refused act is taken back on the page")
    finally:
        page.quit()
