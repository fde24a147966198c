"""make bench-growth: peak memory of `measure` with 1,000 and with 20,000 small frames. What it may not depend on is the size of the session.

    growth.py OUT [FRAMES]"""
import datetime
import os
import shutil
import subprocess
import sys

import speed
from watch import watch

FEW, MANY = 1000, int(sys.argv[2]) if len(sys.argv) > 2 else 20000
SMALL = speed.PLACE + "/small"


def session(n):
    """The frames of a small card again and again, each time at another hour."""
    folder = f"{speed.WORK}/growth"
    shutil.rmtree(folder, ignore_errors=True)
    source = f"{SMALL}/card/DCIM/100EXMPL"
    frames = sorted(f for f in os.listdir(source) if f.startswith("DEMO") and f.endswith(".JPG"))
    start = datetime.datetime(2026, 5, 16, 6, 0, 0)
    for i in range(n):
        place = f"{folder}/DCIM/{100 + i // 1000}EXMPL"
        os.makedirs(place, exist_ok=True)
        round_, k = divmod(i, len(frames))
        time = start + datetime.timedelta(minutes=10 * round_, milliseconds=17 * k)
        speed.with_time(f"{source}/{frames[k]}", f"{place}/DEMO{i % 9999 + 1:04d}.JPG", time)
    return folder


def peak(n):
    w = watch([speed.CHAFFINCH, "measure", session(n), "--jobs", "2"], memory=True, every_s=0.02)
    shutil.rmtree(speed.WORK + "/growth")
    print(f"{n} frames: peak memory of all processes {w.peak_kb / 1024:.1f} MiB, parent {w.peak_of.get(w.main, 0) / 1024:.1f} MiB, {w.wall_s:.0f} s", flush=True)
    return w.peak_kb / 1024


def main():
    os.makedirs(speed.PLACE, exist_ok=True)
    if not os.path.exists(SMALL + "/truth.csv"):
        subprocess.run([speed.OUT + "/cardgen", SMALL, "--size", "240x180", "--only", "skim", "--jobs", str(speed.CPUS)], check=True, stdout=subprocess.DEVNULL)
    print(speed.machine() + ".")
    few, many = peak(FEW), peak(MANY)
    print(f"growth {many - few:.1f} MiB (at most 5 MiB from 1,000 to 20,000 frames): {'met' if many - few <= 5 else 'missed'}")


main()
