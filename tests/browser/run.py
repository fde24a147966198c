#!/usr/bin/python3
"""run.py OUT [SIZE [PART...]]   the page in Debian's chromium, headless: judged by keyboard, killed, watched by two tabs, measured, looked at.
Pictures of the page go to .build/browser. SIZE: of the demo card's pictures, 1200x900 unless told."""
import os
import shutil
import sys
import tempfile
import time


def missing():
    for program in ("/usr/bin/chromium", "/usr/bin/chromedriver"):
        if not os.path.exists(program):
            return f"no {program}: apt-get install chromium chromium-driver"
    try:
        import selenium  # noqa: F401
    except ImportError:
        return "no selenium: apt-get install python3-selenium"
    return ""


def main():
    if missing():
        print(f"browser: skipped, {missing()}")
        return 0
    import access
    import judging
    import looks
    import losing
    import rig
    import sessions
    import speed
    out, size = os.path.abspath(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "1200x900"
    parts = [m for m in (speed, looks, access, judging, losing) if not sys.argv[3:] or m.__name__ in sys.argv[3:]]
    store = os.path.abspath(".build/browser")
    os.makedirs(store, exist_ok=True)
    work, checks, start = tempfile.mkdtemp(prefix="chaffinch-browser."), rig.Checks(), time.time()
    try:
        card = sessions.demo(out, store, size)
        session = sessions.measured(out, os.path.join(card, "card", "DCIM"), os.path.join(work, "mill-pond"))
        crowd = ""
        if looks in parts or judging in parts:
            crowd = sessions.measured(out, os.path.join(sessions.many(out, store), "DCIM"), os.path.join(work, "forty"))
        for part in parts:
            began = time.time()
            part.check(checks, out, session, crowd, store)
            print(f"-- {part.__name__}: {time.time() - began:.0f} s", flush=True)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    print(f"browser: {checks.passed} checks passed, {checks.failed} failed, {time.time() - start:.0f} s")
    return 1 if checks.failed or not checks.passed else 0


if __name__ == "__main__":
    sys.exit(main())
