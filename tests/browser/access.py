"""Keyboard only, names and roles, a screen reader's view, reduced motion; and axe-core where it can be had."""
import os
import subprocess
import time

import rig

PLACES = ("hours", "pass/3/1", "eyes", "empties", "shortlist", "areas", "after")


def check(checks, out, session, crowd, store):
    engine = rig.Engine(out, session).start()
    try:
        page = rig.Page(engine)
        try:
            spoken(checks, page)
            reachable(checks, page)
            motion(checks, page)
        finally:
            page.quit()
        axe = axe_source(store)
        if not axe:
            print("axe-core: skipped, not installed and npm cannot get it")
            return
        for dark in (False, True):
            page = rig.Page(engine, dark=dark)
            try:
                violations(checks, page, axe, "dark" if dark else "light")
            finally:
                page.quit()
    finally:
        engine.stop()


def spoken(checks, page):
    page.open()
    page.until("return document.activeElement.getAttribute('role') === 'slider'", "the line of hours has the focus")
    page.press("home")
    first = page.spoken()
    page.press("right")
    checks.that(first.startswith("Pass 1 of") and page.spoken().startswith("Pass 2 of"), f"the line of hours speaks: {first}")
    page.press("enter")
    page.settled()
    page.until("return document.activeElement.classList.contains('navigator')", "the curve has the focus")
    checks.that(page.spoken().startswith("Frame ") and "proposed" in page.spoken(), f"the curve speaks: {page.spoken()}")
    page.press("up")
    checks.that("you decided: keep" in page.text("[role=status]"), "the live region says what was decided")
    page.press("back")
    page.until("return document.querySelector('[role=status]').textContent.startsWith('Taken back')", "the live region says what was taken back")


def reachable(checks, page):
    """Tab goes through every control of a pass, in the order in which it stands, and comes out again."""
    page.open("pass/3/1")
    page.settled()
    page.js("document.querySelector('nav a').focus()")
    reached = ["#hours"]
    for _ in range(60):
        page.press("tab")
        where = page.js("const e = document.activeElement; return e === document.body ? '' : e.dataset.act || e.className || e.getAttribute('href') || e.textContent")
        if not where or where in reached:
            break
        reached.append(where)
    wanted = page.js("return [...document.querySelectorAll('.pass button')].filter((b) => b.offsetParent).map((b) => b.dataset.act)")
    checks.that(wanted and all(w in reached for w in wanted) and "navigator" in reached, f"Tab reaches all {len(reached)} controls")
    places = [reached.index(w) for w in wanted]
    checks.that(places == sorted(places), "in the order in which they stand")


def motion(checks, page):
    page.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-reduced-motion", "value": "reduce"}]})
    page.open()
    page.press("m")
    moving = page.js("return document.getAnimations().filter((a) => a.playState === 'running').length")
    checks.that(moving == 0, "nothing glides for a person who asked for calm")
    page.press("m")


def axe_source(store):
    path = os.path.join(store, "node_modules/axe-core/axe.min.js")
    if not os.path.exists(path):
        try:
            subprocess.run(["npm", "install", "--prefix", store, "--no-audit", "--no-fund", "--silent", "axe-core@4"], timeout=60,
                           stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)
        except (OSError, subprocess.SubprocessError):
            return ""
    with open(path, encoding="utf-8") as f:
        return f.read()


def violations(checks, page, axe, theme):
    for place in PLACES if theme == "light" else ("hours", "pass/3/1", "shortlist"):
        page.open(place)
        time.sleep(0.3)
        page.js(axe)
        found = page.wait_js("const done = arguments[0]; axe.run().then((r) => done(r.violations.map((v) => [v.impact, v.id, v.nodes.length, v.nodes[0].html.slice(0, 120)])))")
        serious = [v for v in found if v[0] in ("serious", "critical")]
        for v in found:
            print(f"   axe: {theme}, {place}: {v}")
        checks.that(not serious, f"axe-core finds nothing serious: {place}, {theme}")
