"""Runs a command and watches it: wall, processor time of each of its processes, and the peak of the memory that is theirs."""
import os
import subprocess
import time


def tree(pid):
    """The process and all below it."""
    found = [pid]
    try:
        for task in os.listdir(f"/proc/{pid}/task"):
            with open(f"/proc/{pid}/task/{task}/children") as f:
                for child in f.read().split():
                    found += tree(int(child))
    except OSError:
        pass
    return found


def cpu_ms(pid):
    """Of all threads, those that have ended too. Of one thread ns are told: more than ticks show where there never was another."""
    with open(f"/proc/{pid}/stat") as f:
        fields = f.read().rpartition(")")[2].split()
    tick = 1000 / os.sysconf("SC_CLK_TCK")
    total = (int(fields[11]) + int(fields[12])) * tick
    tasks = os.listdir(f"/proc/{pid}/task")
    if len(tasks) == 1:
        with open(f"/proc/{pid}/schedstat") as f:
            total = max(total, int(f.read().split()[0]) / 1e6)
    return total


def anonymous_kb(pid):
    """Memory of its own; pages shared after a fork are divided among those that share them, mapped files do not count."""
    with open(f"/proc/{pid}/smaps_rollup") as f:
        for line in f:
            if line.startswith("Pss_Anon:"):
                return int(line.split()[1])
    return 0


class Watched:
    def __init__(self):
        self.wall_s = 0.0
        self.cpu = {}  # pid -> ms
        self.main = 0
        self.peak_kb = 0
        self.peak_of = {}
        self.status = 0
        self.first_s = None  # when `look` said so for the first time

    def parent_ms(self):
        return self.cpu.get(self.main, 0.0)

    def workers_ms(self):
        return sum(self.cpu.values()) - self.parent_ms()

    def worker_peak_kb(self):
        return max([kb for pid, kb in self.peak_of.items() if pid != self.main] or [0])


def watch(argv, memory=False, env=None, look=None, every_s=0.01):
    w = Watched()
    start = time.monotonic()
    process = subprocess.Popen(argv, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=env)
    w.main = process.pid
    while True:
        total = 0
        for pid in tree(process.pid):
            try:
                w.cpu[pid] = max(w.cpu.get(pid, 0.0), cpu_ms(pid))
                if memory:
                    kb = anonymous_kb(pid)
                    w.peak_of[pid] = max(w.peak_of.get(pid, 0), kb)
                    total += kb
            except (OSError, ValueError, IndexError):
                pass
        w.peak_kb = max(w.peak_kb, total)
        if look is not None and w.first_s is None and look():
            w.first_s = time.monotonic() - start
        if process.poll() is not None:
            break
        time.sleep(every_s)
    w.wall_s = time.monotonic() - start
    w.status = process.returncode
    return w


def wall_s(*commands, env=None):
    """Of commands that run at the same time."""
    start = time.monotonic()
    running = [subprocess.Popen(c, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=env) for c in commands]
    for process in running:
        process.wait()
    return time.monotonic() - start
