"""Sessions for the tests, drawn by cardgen and kept in .build/browser between runs."""
import csv
import datetime
import glob
import os
import shutil
import subprocess


def build(command, **more):
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **more)


def demo(out, store, size):
    """The whole demo card; a folder with card/ and truth.csv."""
    shared = os.path.join(os.path.dirname(store), "demo")  # where make bench keeps the card of full size
    if size == "2400x1800" and os.path.exists(os.path.join(shared, "truth.csv")):
        return shared
    place = os.path.join(store, f"demo-{size}")
    if not os.path.exists(os.path.join(place, "truth.csv")):
        shutil.rmtree(place, ignore_errors=True)
        build([os.path.join(out, "cardgen"), place, "--size", size])
    return place


def measured(out, pictures, session):
    """A session that was measured and ranked where it lies. The demo card has damaged files: exit 1 is expected there."""
    shutil.copytree(pictures, session)
    subprocess.run([os.path.join(out, "chaffinch"), "measure", session], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
    build([os.path.join(out, "chaffinch"), "rank", session])
    return session


def shifted(data, seconds):
    """A picture taken later: its Exif times are text of fixed length."""
    at = data.index(b"2026:05:")
    taken = datetime.datetime.strptime(data[at:at + 19].decode(), "%Y:%m:%d %H:%M:%S")
    return data.replace(data[at:at + 19], (taken + datetime.timedelta(seconds=seconds)).strftime("%Y:%m:%d %H:%M:%S").encode())


def many(out, store, bursts=40, frames=60, empties=66):
    """A folder of 40 bursts of 60 frames with a bird that hovers, and of bursts of 5 frames in which nothing is seen."""
    place = os.path.join(store, f"many-{bursts}x{frames}-{empties}")
    if os.path.exists(place):
        return place
    drawn, making = os.path.join(store, "hover"), place + ".new"
    shutil.rmtree(drawn, ignore_errors=True)
    shutil.rmtree(making, ignore_errors=True)
    build([os.path.join(out, "cardgen"), drawn, "--size", "600x450", "--only", "hover"])
    with open(os.path.join(drawn, "truth.csv"), encoding="utf-8", newline="") as f:
        rows = [r for r in csv.DictReader(f) if r["burst"] == "hover"]
    read = lambda r: open(glob.glob(os.path.join(drawn, "card", r["path"]))[0], "rb").read()
    bird, nothing = [read(r) for r in rows[-frames:]], [read(r) for r in rows if r["kind"] == "empty"][:5]
    number = 0
    for b in range(bursts + empties):
        for data in bird if b < bursts else nothing:
            folder = os.path.join(making, "DCIM", f"{100 + number // 9000}EXMPL")
            os.makedirs(folder, exist_ok=True)
            with open(os.path.join(folder, f"DEMO{1 + number % 9000:04d}.JPG"), "wb") as f:
                f.write(shifted(data, 100 * b))
            number += 1
    os.rename(making, place)
    return place
