"""Deciding by keyboard: a whole session, a person who changes four bursts of forty, the second round, undo, areas, keys."""
import time

import rig


def check(checks, out, session, crowd, store):
    engine = rig.Engine(out, session).start()
    page = rig.Page(engine)
    try:
        one_frame(checks, engine, page)
        eyes(checks, engine, page)
        by_pointer(checks, page)
        damaged(checks, page)
        ways_to_look(checks, page)
        whole_session(checks, engine, page)
        after(checks, engine, page)
        areas(checks, page)
        other_keys(checks, page)
        complaints = page.complaints()
        checks.that(not complaints, f"the browser complains about nothing {complaints[:2] or ''}")
    finally:
        page.quit()
        checks.that(engine.stop() == 0, "Ctrl-C ends the engine cleanly")
    forty(checks, out, crowd)


def current(page):
    """The frame that is looked at, as the engine tells it."""
    shown = int(page.js("return document.querySelector('.stage .middle .pane').dataset.shown"))
    burst = int(page.js("return location.hash.split('/')[1]"))
    return next(f for f in page.get(f"api/burst/{burst}")["frames"] if f["id"] == shown)


def decision(engine, frame):
    return engine.frames()[frame["path"]]["decision"]


def one_frame(checks, engine, page):
    """Keep, reject, back to the proposal, take back: each is in the catalogue at once."""
    page.open()
    page.press("enter")
    page.settled()
    page.press("right")
    page.settled()
    frame = current(page)
    page.press("up")
    checks.that("keep" in page.text(".pass .state"), "the page says at once what was decided")
    time.sleep(0.3)
    checks.that(decision(engine, frame) == "keep", "up keeps the frame, in the catalogue")
    page.press("down")
    time.sleep(0.3)
    checks.that(decision(engine, frame) == "reject", "down rejects it")
    page.press("back")
    time.sleep(0.4)
    checks.that(decision(engine, frame) == "keep", "one step back keeps it again")
    page.press("c")
    time.sleep(0.3)
    checks.that(decision(engine, frame) is None, "a key goes back to the proposal")
    page.press("n")
    time.sleep(0.3)
    rows = [r for r in engine.frames().values() if r["burst"] == engine.frames()[frame["path"]]["burst"]]
    marked = [r for r in rows if r["reason"] == "camera-mark"]
    checks.that(all(r["decision"] == "reject" for r in rows if r not in marked), "one key rejects the whole burst")
    checks.that(marked and all(r["decision"] == "keep" for r in marked), "what is marked in the camera stays")
    page.press("back", "back", "back", "back")
    time.sleep(0.6)
    rows = [r for r in engine.frames().values() if not r["decided_in_camera"] and r["decision"]]
    checks.that(not rows, "every step can be taken back")


def by_pointer(checks, page):
    """Mouse and touch: a mark on the line of hours, the curve, a neighbour, an area."""
    page.open("hours")
    page.press("home")
    page.point("touch", ".hours-line", 0.97, 0.5)
    last = page.js("const l = document.querySelector('.hours-line'); return l.getAttribute('aria-valuenow') === l.getAttribute('aria-valuemax')")
    checks.that(last, "a touch chooses the nearest pass")
    page.point("touch", ".hours-line", 0.97, 0.5)
    page.settled()
    first = page.js("return document.querySelector('.stage .middle .pane').dataset.shown")
    page.point("mouse", ".navigator", 0.4, 0.8)
    page.settled()
    second = page.js("return document.querySelector('.stage .middle .pane').dataset.shown")
    page.js("document.querySelector('.stage .slot:last-child .pane').click()")
    page.settled()
    third = page.js("return document.querySelector('.stage .middle .pane').dataset.shown")
    checks.that(len({first, second, third}) == 3, "the curve and a neighbour are picked by pointer")
    page.open("areas")
    page.point("mouse", ".surface", 0.1, 0.2, 0.3, 0.6)
    checks.that("10 % from the left, 20 % from the top, 20 % wide, 40 % high" in page.js("return document.querySelector('.draft').getAttribute('aria-label')"), "an area is drawn with the mouse")


def eyes(checks, engine, page):
    """Frames for your eyes have a place of their own."""
    page.press("3")
    page.until("return document.querySelectorAll('.eyes .tile').length > 2", "the frames for your eyes")
    page.until("return document.activeElement.classList.contains('tile')", "the first of them has the focus")
    label = page.js("return document.activeElement.textContent")
    checks.that(label.startswith("burst 1") and "proposed: for your eyes" in label, f"the first of them has a name: {label}")
    name = label.split(" · ")[1]
    page.press("up")
    time.sleep(0.3)
    rows = [r for r in engine.frames().values() if r["path"].endswith(name)]
    checks.that(rows and rows[0]["decision"] == "keep", "up keeps a frame for your eyes")
    page.press("back")
    time.sleep(0.4)


def damaged(checks, page):
    """A damaged frame shows its cause where its picture would be."""
    for burst in page.get("api/session")["bursts"]:
        bad = next((f for f in page.get(f"api/burst/{burst['burst']}")["frames"] if f["state"] == "unreadable" and burst["passes"]), None)
        if bad:
            break
    page.open(f"pass/{burst['burst']}/1/{bad['id']}")
    page.settled()
    checks.that(bad["cause"] in page.text(".stage .middle .pane-note"), f"a damaged frame shows its cause: {bad['cause']}")


def ways_to_look(checks, page):
    """Sharp set, whole frame with zoom, flicker, play."""
    page.open("pass/2/1")
    page.settled()
    best = page.js("return document.querySelector('.stage .middle .pane').dataset.shown")
    named = page.js("return document.querySelector('.figures dd').textContent")
    page.press("s")
    page.until("return [...document.querySelectorAll('.sharp-set .pane')].some((p) => p.dataset.shown)", "the sharp set")
    checks.that(page.js("return document.querySelectorAll('.sharp-set .slot').length") >= 2, "the sharp set is seen at once")
    page.press("s", "w", "+", "+")
    time.sleep(0.4)
    checks.that(page.js("return !document.querySelector('.whole').hidden && document.querySelector('.stage').hidden"), "the whole frame, enlarged")
    page.press("w", "right")
    page.settled()
    page.press("f")
    page.until(f"return document.querySelector('.stage .middle .pane').dataset.shown === '{best}'", "flicker shows the best")
    checks.that(page.js("return document.querySelector('.figures dd').textContent") == named, "what flicker shows is what a decision is about")
    page.press("f")
    page.settled()
    checks.that(page.js("return document.querySelector('.stage .middle .pane').dataset.shown") != best, "flicker goes back")
    page.press("home", "space")
    seen = set()
    end = time.time() + 1.2
    while time.time() < end:
        seen.add(page.js("return document.querySelector('.navigator').getAttribute('aria-valuenow')"))
    page.press("space")
    checks.that(len(seen) > 4, f"playing goes through the pass ({len(seen)} frames seen in 1.2 s)")


def whole_session(checks, engine, page):
    """Enter on every pass judges the session."""
    page.open("pass")
    page.settled()
    still_open = lambda: [p for b in page.get("api/session")["bursts"] for p in b["passes"] if p["frames"] and p["judged"] != "yes"]
    before = len(still_open())
    presses = 0
    while page.js("return location.hash.startsWith('#pass')") and presses < 60:
        presses += page.press("enter")
        time.sleep(0.12)
    time.sleep(0.5)
    # Two birds in the same frames are two passes and one key.
    checks.that(before > 8 and presses <= before and not still_open(), f"{before} open passes are judged with {presses} keys")
    rows = [r for r in engine.frames().values() if r["pass"]]
    checks.that(rows and all(r["accepted"] or r["decision"] for r in rows), f"all {len(rows)} frames of the passes are accepted in the catalogue")
    checks.that(page.js("return document.querySelector('.progress').getAttribute('aria-valuenow') === document.querySelector('.progress').getAttribute('aria-valuemax')"), "the progress says so")


def after(checks, engine, page):
    page.until("return location.hash === '#after'", "what comes after looking")
    page.until("return document.querySelector('.command code').textContent !== ''", "the command")
    plan = page.get("api/apply")
    text = page.text(".after")
    checks.that(f"{plan['move']['frames']} frame" in text and plan["command"] in text, "the page says what chaffinch-apply would do, and the command")
    rejects = sum(r["outcome"] == "reject" for r in engine.frames().values())
    checks.that(plan["move"]["frames"] == rejects, f"as many frames as list calls rejects: {rejects}")


def areas(checks, page):
    """An area drawn by keyboard alone."""
    page.press("6")
    page.until("return document.activeElement.classList.contains('draft')", "the new area has the focus")
    page.press("left", "left", "up")
    checks.that("36 % from the left" in page.js("return document.activeElement.getAttribute('aria-label')"), "arrow keys move a new area")
    page.press("tab", "tab", "enter") if page.js("return document.querySelectorAll('.areas li').length") else page.press("tab", "enter")
    page.until("return document.querySelectorAll('.areas li').length === 1", "the area is listed")
    saved = page.get("api/areas")
    saved = saved.get("areas", saved) if isinstance(saved, dict) else saved
    checks.that(len(saved) == 1 and abs(saved[0]["x"] - 0.36) < 0.001 and saved[0]["kind"] == "ignore", "an area drawn by keyboard is saved")
    page.js("document.querySelector('.areas button').click()")
    page.until("return document.querySelectorAll('.areas li').length === 0", "the area is removed")


def other_keys(checks, page):
    """A key is changed on the page, and is known again after a new start."""
    page.open("pass/2/1")
    page.settled()
    page.press("?")
    page.js("[...document.querySelectorAll('.help .key')].find((k) => k.getAttribute('aria-label').startsWith('Accept and go on')).click()")
    page.press("g")
    page.until("return document.querySelector('.help [role=status]').textContent.includes('is now g')", "a key that can be changed")
    page.press("escape")
    page.open("pass/2/1")
    page.settled()
    checks.that("g" in page.text("[data-act=goOn] kbd"), "the page shows the changed key after a new start")
    page.press("g")
    page.until("return !location.hash.startsWith('#pass/2/')", "the changed key works")
    page.press("?")
    page.js("[...document.querySelectorAll('.help button')].find((b) => b.textContent.startsWith('All keys')).click()")
    page.press("escape")


def forty(checks, out, crowd):
    """40 bursts of 60 frames: 36 accepted, 4 changed, at most 60 keys; then the keepers down to 12, at most 200."""
    engine = rig.Engine(out, crowd).start()
    page = rig.Page(engine)
    try:
        bursts = [b for b in page_session(page) if b["passes"]]
        checks.that(len(bursts) == 40 and all(b["frames"] == 60 for b in bursts), f"{len(bursts)} bursts of 60 frames")
        presses = page.press("enter")
        for k in range(40):
            page.settled()
            if k % 10 == 5:  # the neighbour is the better moment: it is kept, the proposed one goes
                presses += page.press("down", "right", "up")
            presses += page.press("enter")
            time.sleep(0.05)
        page.until("return !location.hash.startsWith('#pass')", "the end of the session")
        time.sleep(0.5)
        rows = engine.frames().values()
        checks.that(presses <= 60, f"36 bursts accepted and 4 changed with {presses} keys")
        checks.that(sum(r["decision"] == "keep" for r in rows) == 4 and sum(r["decision"] == "reject" for r in rows) == 4, "and that is what the catalogue says")
        second_round(checks, engine, page)
    finally:
        page.quit()
        engine.stop()


def page_session(page):
    page.open()
    return page.get("api/session")["bursts"]


def second_round(checks, engine, page):
    keepers = page.get("api/shortlist")["frames"]
    presses, wanted = page.press("5"), 12
    page.until(f"return document.querySelectorAll('.keepers .tile').length === {len(keepers)}", "all keepers")
    page.until("return document.activeElement.classList.contains('tile')", "the first keeper has the focus")
    every = max(1, len(keepers) // wanted)
    for k in range(len(keepers)):
        up = k % every == 0 and k // every < wanted
        presses += page.press("up" if up else "right")
    time.sleep(0.6)
    chosen = sum(f["shortlist"] for f in page.get("api/shortlist")["frames"])
    checks.that(chosen == wanted and presses <= 200, f"{len(keepers)} keepers to {chosen} with {presses} keys")
    page.press("back")
    page.until(f"return document.querySelectorAll('.keepers .lifted').length === {wanted - 1}", "one step up is taken back")
