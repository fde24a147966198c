"""make bench: what the engine costs, beside what anybody else would pay for the same files in the same run. Prints a table in Markdown.

    speed.py OUT [CARD]     OUT = build folder; CARD = folder with card/ and truth.csv of 20-megapixel frames by cardgen
                            (default .build/bench/camera, drawn where it is missing, which takes minutes)

The default card is as heavy as a camera's: 4:2:2, as cameras store colour, and a quality that gives 6.7 MB a frame of 20 megapixels
(common practice of their "fine" settings). The same scenes at 4:2:0 and quality 90, 2.9 MB, are the light card: its ratios follow in
a second table, and are left out where CARD is given.

What is compared runs on the same files one after the other, so a busy machine disturbs both sides; walls are the least of rounds."""
import csv
import datetime
import glob
import os
import platform
import re
import shutil
import sqlite3
import subprocess
import sys

from watch import wall_s, watch

SIZE, BURSTS = "5184x3888", "skim,soft,two"
HERE = os.path.dirname(os.path.abspath(__file__))
OUT = os.path.abspath(sys.argv[1])
PLACE = os.path.abspath(".build/bench")
GIVEN = sys.argv[2] if len(sys.argv) > 2 else os.environ.get("BENCH_CARD")
CARD, LIGHT = os.path.abspath(GIVEN or PLACE + "/camera"), PLACE + "/light"
WORK = PLACE + "/work"
CHAFFINCH = OUT + "/chaffinch"
CPUS = os.cpu_count() or 1
MIB = 1024.0
CARD_MBS = 90

rows = []


def say(text):
    print(text, file=sys.stderr, flush=True)


def add(figure, value, target="", met=None):
    rows.append((figure, value, target, "" if met is None else "met" if met else "missed"))
    say(f"  {figure}: {value}")


def at_most(figure, value, limit, text, unit=""):
    add(figure, text, f"<= {limit:g}{unit}", value <= limit)


def at_least(figure, value, limit, text):
    add(figure, text, f">= {limit:g}", value >= limit)


def output(*argv):
    return subprocess.run(argv, capture_output=True, text=True, check=False).stdout


# ---- the card and sessions of it ----------------------------------------------------


def draw_card(card, *weight):
    if os.path.exists(card + "/truth.csv"):
        return
    if card.startswith(PLACE + "/"):
        shutil.rmtree(card, ignore_errors=True)
    os.makedirs(os.path.dirname(card), exist_ok=True)
    say(f"drawing a card of {SIZE} frames into {card}: once, some minutes")
    subprocess.run(
        [OUT + "/cardgen", card, "--size", SIZE, "--only", BURSTS, "--jobs", str(CPUS), *weight], check=True, stdout=subprocess.DEVNULL
    )


def frames_of_card(card):
    """burst -> [(path, empty)], in order; without the file that is cut short on purpose."""
    bursts = {}
    with open(card + "/truth.csv", newline="") as f:
        for row in csv.DictReader(f):
            path = f"{card}/card/{row['path']}"
            if row["kind"] in ("empty", "flight") and path.endswith(".JPG"):
                bursts.setdefault(row["burst"], []).append((path, row["kind"] == "empty"))
    return bursts


def session_of(name, paths):
    """A folder of hard links: measured in place, nothing is copied."""
    folder = f"{WORK}/{name}"
    shutil.rmtree(folder, ignore_errors=True)
    os.makedirs(folder + "/DCIM/100EXMPL")
    for path in paths:
        to = f"{folder}/DCIM/100EXMPL/{os.path.basename(path)}"
        try:
            os.link(path, to)
        except OSError:
            shutil.copy2(path, to)
    return folder


def again(folder):
    shutil.rmtree(folder + "/.chaffinch", ignore_errors=True)
    return folder


def warm(paths):
    for path in paths:
        with open(path, "rb") as f:
            while f.read(1 << 20):
                pass


STAMP = re.compile(rb"\d{4}:\d\d:\d\d \d\d:\d\d:\d\d")


def with_time(source, target, time):
    """A copy taken at another time: the Exif texts are overwritten where they stand, the file's own time goes with them."""
    with open(source, "rb") as f:
        data = bytearray(f.read())
    head = bytes(data[:16384])
    for found in STAMP.finditer(head):
        data[found.start() : found.end()] = time.strftime("%Y:%m:%d %H:%M:%S").encode()
    # SubSecTimeOriginal, in either byte order: as many digits as there are, at most three, which stand in the tag itself.
    for tag, order in ((b"\x91\x92\x02\x00", "little"), (b"\x92\x91\x00\x02", "big")):
        at = head.find(tag)
        digits = int.from_bytes(head[at + 4 : at + 8], order) - 1 if at >= 0 else 0
        if 1 <= digits <= 3:
            data[at + 8 : at + 8 + digits] = (b"%06d" % time.microsecond)[:digits]
    with open(target, "wb") as f:
        f.write(data)
    os.utime(target, (time.timestamp(), time.timestamp()))


def half_empty(bursts):
    """Bursts in which half of the frames are empty: the empty frames of each, taken in turn, before it and behind it."""
    folder = WORK + "/half"
    shutil.rmtree(folder, ignore_errors=True)
    os.makedirs(folder + "/DCIM/100EXMPL")
    made, start = [], datetime.datetime(2026, 5, 16, 6, 0, 0)
    for name, frames in sorted(bursts.items()):
        empty = [p for p, e in frames if e]
        if len(empty) < 8:
            continue
        missing = len(frames) - 2 * len(empty)
        before = [empty[i % len(empty)] for i in range(missing // 2)]
        behind = [empty[(i + 3) % len(empty)] for i in range(missing - missing // 2)]
        for i, path in enumerate(before + [p for p, _ in frames] + behind):
            target = f"{folder}/DCIM/100EXMPL/HALF{len(made) + 1:04d}.JPG"
            with_time(path, target, start + datetime.timedelta(milliseconds=17 * i))
            made.append(target)
        start += datetime.timedelta(minutes=5)
    return folder, made


def size_of_card(card):
    return sum(os.path.getsize(os.path.join(t, n)) for t, _, ns in os.walk(card + "/card") for n in ns) / 1e6


# ---- rows ------------------------------------------------------------------------


def grey_ms(paths):
    return [float(line) for line in output(OUT + "/bench/bench_grey", "grey", *paths).split()]


def decode_rows(paths):
    some = paths[:: max(1, len(paths) // 24)]
    n, grey, best, sse2 = output(OUT + "/bench/bench_grey", "2", *some).split()
    grey, best, sse2 = float(grey), float(best), float(sse2)
    add(f"grey decode from memory, {n} frames of {os.path.getsize(some[0]) / 1e6:.1f} MB and the like", f"{grey:.1f} ms of CPU")
    at_most("full path (decode, cells, packing) / grey decode, AVX2", best / grey, 1.08, f"{best / grey:.2f} (+{best - grey:.1f} ms)")
    at_most("the same, SSE2", sse2 / grey, 1.12, f"{sse2 / grey:.2f}")


def measured(folder, *options):
    return watch([CHAFFINCH, "measure", again(folder), "--jobs", "2", *options])


def default_rows(bursts, grey):
    """Workers' time: peeking, thumbnails, decoding, cells, packing. The parent's is told beside it."""
    total = decoded = parent = 0.0
    worst, n, empty = ("", 0.0), 0, 0
    for name, frames in bursts.items():
        w = measured(session_of("burst", [p for p, _ in frames]))
        whole = sum(grey[p] for p, _ in frames)
        worst = max(worst, (name, w.workers_ms() / whole), key=lambda x: x[1])
        total, decoded, parent = total + whole, decoded + w.workers_ms(), parent + w.parent_ms()
        n, empty = n + len(frames), empty + sum(e for _, e in frames)
    at_most(
        f"default path, workers' CPU / grey decode: {len(bursts)} bursts, {n} frames, {100 * empty / n:.0f} % empty",
        decoded / total, 0.47, f"{decoded / total:.2f}",
    )
    at_most("the same, dearest burst", worst[1], 1.08, f"{worst[1]:.2f} ({worst[0]})")
    add("beside that the parent: catalogue, finding subjects, scores, choice", f"{parent / n:.1f} ms a frame")
    return n


def half_row(bursts):
    folder, made = half_empty(bursts)
    w = measured(folder)
    ratio = w.workers_ms() / sum(grey_ms(made))
    at_most(f"the same with half of the frames empty ({len(made)} frames)", ratio, 0.32, f"{ratio:.2f}")
    shutil.rmtree(folder)


def fast_row(session, paths, grey):
    if "--fast" not in output(CHAFFINCH, "measure", "--help"):
        add("--fast", "not in this build", "<= 0.25")
        return
    w = measured(session, "--fast")
    ratio = w.workers_ms() / sum(grey[p] for p in paths)
    at_most("--fast, workers' CPU / grey decode", ratio, 0.25, f"{ratio:.2f}")


def peer_rows(session, paths):
    def engine(jobs, rounds=2):
        return min(wall_s([CHAFFINCH, "measure", again(session), "--jobs", str(jobs)]) for _ in range(rounds))

    two, one = engine(2), engine(1)
    halves = [paths[0::2], paths[1::2]]
    add(f"measure with two workers, {len(paths)} frames", f"{two:.2f} s ({1000 * two / len(paths):.1f} ms a frame)")
    cpp = OUT + "/bench/peer_opencv"
    if os.path.exists(cpp):
        wall = wall_s(*[[cpp, *half] for half in halves])
        at_least("C++, OpenCV variance of Laplacian, two processes / measure, wall", wall / two, 4, f"{wall / two:.1f} ({wall:.1f} s)")
    else:
        add("C++ over OpenCV", "skipped: no libopencv-dev", ">= 4")
    if subprocess.run(["/usr/bin/python3", "-c", "import cv2"], capture_output=True, check=False).returncode == 0:
        wall = wall_s(*[["/usr/bin/python3", HERE + "/peer_opencv.py", *half] for half in halves])
        at_least("Python, OpenCV, both measures, two processes / measure, wall", wall / two, 6, f"{wall / two:.1f} ({wall:.1f} s)")
    else:
        add("Python over OpenCV", "skipped: no python3-opencv", ">= 6")
    djpeg = sum(wall_s(["djpeg", "-grayscale", "-outfile", "/dev/null", p]) for p in paths[::8]) if shutil.which("djpeg") else 0
    if djpeg:
        each = 1000 * djpeg / len(paths[::8])
        add("djpeg -grayscale, one process after another", f"{each:.1f} ms a frame, {each * len(paths) / 1000 / two:.1f} of measure")
    at_least("one worker / two workers, wall", one / two, 1.9, f"{one / two:.2f}")
    return two


def memory_rows(session, paths):
    w = watch([CHAFFINCH, "measure", again(session), "--jobs", "2"], memory=True)
    at_most(
        "peak memory of all processes, 2 workers, baseline JPEG", w.peak_kb / MIB, 64,
        f"{w.peak_kb / MIB:.0f} MiB, parent {w.peak_of.get(w.main, 0) / MIB:.0f}, a worker {w.worker_peak_kb() / MIB:.0f}", " MiB",
    )
    if shutil.which("jpegtran"):
        folder = session_of("progressive", [])
        for path in paths[:44]:
            to = f"{folder}/DCIM/100EXMPL/{os.path.basename(path)}"
            subprocess.run(["jpegtran", "-progressive", "-copy", "all", "-outfile", to, path], check=True)
            shutil.copystat(path, to)
        w = watch([CHAFFINCH, "measure", folder, "--jobs", "2"], memory=True)
        add("the same, progressive JPEG: a worker, all", f"{w.worker_peak_kb() / MIB:.0f} MiB, {w.peak_kb / MIB:.0f} MiB", "limit 2 GiB a worker")
        shutil.rmtree(folder)
    raws = sorted(glob.glob(PLACE + "/raw/card/DCIM/*/*.DNG"))
    if not raws:
        say(f"drawing raws of {SIZE}: once")
        shutil.rmtree(PLACE + "/raw", ignore_errors=True)
        subprocess.run([OUT + "/cardgen", PLACE + "/raw", "--size", SIZE, "--only", "pairs", "--jobs", str(CPUS)], check=True, stdout=subprocess.DEVNULL)
        raws = sorted(glob.glob(PLACE + "/raw/card/DCIM/*/*.DNG"))
    w = watch([CHAFFINCH, "measure", session_of("raws", raws[:12]), "--jobs", "2"], memory=True)
    add("the same, raw without a preview, half-size decode: a worker, all", f"{w.worker_peak_kb() / MIB:.0f} MiB, {w.peak_kb / MIB:.0f} MiB", "limit 2 GiB a worker")


def cold_read(folder):
    for top, _, names in os.walk(folder):
        for name in names:
            with open(os.path.join(top, name), "rb", buffering=0) as f:
                os.posix_fadvise(f.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
                while f.read(1 << 20):
                    pass


def plain_copy(env=None, read=True):
    """cp -a + sync (+ one cold read of the copy), wall."""
    import time

    to = WORK + "/plain"
    shutil.rmtree(to, ignore_errors=True)
    start = time.monotonic()
    subprocess.run(["cp", "-a", CARD + "/card", to], check=True, env=env)
    subprocess.run(["sync", "-f", to], check=True)
    if read:
        cold_read(to)
    took = time.monotonic() - start
    shutil.rmtree(to)
    return took


def own_copy(env=None):
    to = WORK + "/copied"
    shutil.rmtree(to, ignore_errors=True)
    return wall_s([CHAFFINCH, "copy", CARD + "/card", to, "--one-is-enough"], env=env)


def slow_card():
    env = dict(os.environ)
    env.update(LD_PRELOAD=OUT + "/throttle.so", THROTTLE_DIR=os.path.realpath(CARD + "/card"), THROTTLE_MBS=str(CARD_MBS))
    return env


def copy_rows(size_mb):
    own, plain = [], []
    for _ in range(3):
        plain.append(plain_copy())
        own.append(own_copy())
    ratio = min(own) / min(plain)
    at_most(
        "copy + verify / (cp -a + sync + one cold read of the copy)", ratio, 1.1,
        f"{ratio:.2f} ({size_mb / min(own):.0f} and {size_mb / min(plain):.0f} MB/s; rounds {min(map(lambda a, b: a / b, own, plain)):.2f} to {max(map(lambda a, b: a / b, own, plain)):.2f})",
    )
    ratio = own_copy(slow_card()) / plain_copy(slow_card(), read=False)
    at_most(f"copy + verify / (cp -a + sync), both from a source of {CARD_MBS} MB/s", ratio, 1.1, f"{ratio:.2f}")
    return size_mb / min(plain)


def run_rows(size_mb, disk_mbs):
    copied = WORK + "/copied"
    score = min(
        wall_s([CHAFFINCH, "measure", again(copied)]) + wall_s([CHAFFINCH, "rank", copied]) + wall_s([CHAFFINCH, "sheet", copied]) for _ in range(2)
    )
    whole = []
    for _ in range(2):
        shutil.rmtree(WORK + "/run", ignore_errors=True)
        whole.append(wall_s([CHAFFINCH, "run", CARD + "/card", WORK + "/run"]))
    rate = size_mb / score
    met = min(whole) / score <= 1.15
    add(
        "run / score alone (measure, rank, sheet), wall", f"{min(whole) / score:.2f} ({min(whole):.1f} and {score:.1f} s; copying takes {disk_mbs:.0f} MB/s, scoring {rate:.0f})",
        "<= 1.15", met if disk_mbs > 2 * rate else None,
    )
    catalogue = sqlite3.connect(f"{copied}/.chaffinch/catalogue.db")
    catalogue.execute("UPDATE burst SET stamp = ''")
    n = catalogue.execute("SELECT count(*) FROM frame WHERE state = 'measured'").fetchone()[0]
    catalogue.commit()
    catalogue.close()
    w = watch([CHAFFINCH, "rank", copied])
    each = sum(w.cpu.values()) / n
    at_most("finding subjects and scores again from cells, CPU", each, 25, f"{each:.1f} ms a frame", " ms")

    def ranked():
        try:
            db = sqlite3.connect(f"file:{WORK}/run/.chaffinch/catalogue.db?mode=ro", uri=True, timeout=0.05)
            found = db.execute("SELECT count(*) FROM burst WHERE stamp <> '' AND n_passes > 0").fetchone()[0]
            db.close()
            return found > 0
        except sqlite3.Error:
            return False

    shutil.rmtree(WORK + "/run", ignore_errors=True)
    w = watch([CHAFFINCH, "run", CARD + "/card", WORK + "/run"], env=slow_card(), look=ranked, every_s=0.05)
    first = w.first_s if w.first_s is not None else w.wall_s
    at_most(f"first pass ready after run starts, card of {CARD_MBS} MB/s", first, 60, f"{first:.1f} s (all: {w.wall_s:.1f} s)", " s")


def catalogue_rows():
    text = output(OUT + "/bench/bench_catalogue")

    def took(pattern):
        found = re.search(pattern + r" +([\d.]+) s", text)
        return float(found.group(1)) if found else float("nan")

    chosen = max(took("with a total"), took("as last time"))
    at_most("5,040 frames chosen anew", chosen, 2, f"{chosen:.2f} s", " s")
    listed = took("opened and one burst listed")
    at_most("100,000 frames: opened, one burst listed", listed, 0.2, f"{1000 * listed:.1f} ms", " s")


# ---- the table -------------------------------------------------------------------


def machine():
    model = re.search(r"model name\s*: (.*)", open("/proc/cpuinfo").read())
    os_name = re.search(r'PRETTY_NAME="(.*)"', open("/etc/os-release").read())
    versions = [output(CHAFFINCH, "--version").strip(), "kernel " + platform.release()]
    for package in ("libjpeg62-turbo", "libraw20", "libopencv-core406", "libsqlite3-0"):
        version = output("dpkg-query", "-W", "-f", "${Version}", package)
        if version:
            versions.append(f"{package} {version}")
    load = os.getloadavg()[0]
    return (
        f"{datetime.date.today()}, {CPUS} processors, {model.group(1) if model else platform.machine()}, "
        f"{os_name.group(1) if os_name else ''}; {', '.join(versions)}; load at the start {load:.1f}"
        + (" (the machine was busy with other work)" if load > 0.7 else "")
    )


def what_is_decoded(card):
    """The rows that depend on how heavy the files are; the session of all frames and its frames."""
    bursts = frames_of_card(card)
    paths = [p for frames in bursts.values() for p, _ in frames]
    warm(paths)
    decode_rows(paths)
    grey = dict(zip(paths, grey_ms(paths)))
    default_rows(bursts, grey)
    half_row(bursts)
    session = session_of("all", paths)
    fast_row(session, paths, grey)
    return session, paths


def print_rows():
    print("| figure | value | target | |\n|---|---|---|---|")
    for row in rows:
        print("| " + " | ".join(row) + " |")
    rows.clear()


def main():
    draw_card(CARD, "--quality", "96", "--chroma", "422")
    if not GIVEN:
        draw_card(LIGHT)
    head = machine()
    shutil.rmtree(WORK, ignore_errors=True)
    os.makedirs(WORK)
    session, paths = what_is_decoded(CARD)
    size_mb = size_of_card(CARD)
    peer_rows(session, paths)
    memory_rows(session, paths)
    disk_mbs = copy_rows(size_mb)
    run_rows(size_mb, disk_mbs)
    catalogue_rows()
    print(f"{head}.\n")
    print_rows()
    print(
        f"\nThe {len(paths)} frames are simulated (5184 x 3888, {sum(map(os.path.getsize, paths)) / 1e6 / len(paths):.1f} MB each, with Exif "
        "thumbnails): one scene and its noise. Thumbnails of photographs may say less."
    )
    if not GIVEN:
        _, paths = what_is_decoded(LIGHT)
        print(
            f"\nThe same scenes as light files ({sum(map(os.path.getsize, paths)) / 1e6 / len(paths):.1f} MB a frame), where what is done beside "
            "decoding weighs more:\n"
        )
        print_rows()
    shutil.rmtree(WORK)


if __name__ == "__main__":
    main()
