#!/usr/bin/env python3
"""How fast `yarder inspect` is, against python-can and asammdf in the same run: reading.py YARDER [FOLDER].

Makes, once, candump text of 200 MB, the same packed with gzip, and MDF 4 files, packed and not, and times each reader over
each file, the best of three, by the clock and by the processor's time; on a machine that is busy the second tells more. One
core each; what Yarder does besides counting (bus load, gaps, VIN, clock) the others do not.
Run it with the python of tests/inspect/oracle.sh, which has both libraries.
"""
import gzip
import json
import pathlib
import random
import resource
import shutil
import subprocess
import sys
import time

import can
from asammdf import MDF

yarder = sys.argv[1]
folder = pathlib.Path(sys.argv[2] if len(sys.argv) > 2 else "target/bench/inspect")
folder.mkdir(parents=True, exist_ok=True)
log, packed, mdf4 = folder / "bench.log", folder / "bench.log.gz", folder / "bench.mf4"
plain4 = folder / "plain.mf4"
FRAMES = 4_000_000


def make():
    rng = random.Random(1)
    ids = ["0CF00400", "0CF00300", "18FEF100", "0CFE6CEE", "18FEEE00", "18FEE500", "18F0010B", "0C000003"]
    with open(log, "w") as out:
        for n in range(FRAMES):
            us = 1_772_428_200_000_000 + n * 600
            out.write(f"({us // 10**6:010d}.{us % 10**6:06d}) can0 {rng.choice(ids)}#{rng.getrandbits(64):016X}\n")
    with open(log, "rb") as plain, gzip.open(packed, "wb", 6) as out:
        shutil.copyfileobj(plain, out)
    with can.MF4Writer(folder / "bench.new.mf4") as out:
        for n, message in zip(range(1_000_000), can.CanutilsLogReader(log)):
            message.channel = 1
            out.on_message_received(message)
    with MDF(folder / "bench.new.mf4") as mdf:
        mdf.save(plain4, compression=0, overwrite=True)
    (folder / "bench.new.mf4").rename(mdf4)


def processor():
    """Seconds that this process and those that it waited for have used."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def best(what):
    """The shortest time of three, by the clock and by the processor, each by itself; and the frames."""
    times = []
    for _ in range(3):
        begun = time.perf_counter(), processor()
        frames = what()
        times.append((time.perf_counter() - begun[0], processor() - begun[1]))
    return tuple(min(each) for each in zip(*times)), frames


def ours(path):
    out = subprocess.run([yarder, "inspect", "--json", "--bit-rate", "250000", path], capture_output=True, check=True)
    return json.loads(out.stdout)["frames"]


def theirs(path):
    count = 0
    for _ in can.LogReader(path):
        count += 1
        # A tenth is enough for a rate.
        if count == FRAMES // 10:
            break
    return count


def asam(path):
    with MDF(path) as mdf:
        return len(mdf.get("CAN_DataFrame.ID", raw=True).samples)


if not mdf4.exists():
    make()
print(f"{'':<27} {'by the clock':^34} {'by the processor':^34}")
columns = f"{'frames/s':>12} {'MB/s':>8} {'times Yarder':>12}"
print(f"{'file':<14} {'reader':<12} {columns} {columns}")


def line(name, reader, size, frames, took, ours=None):
    cells = []
    for seconds, rate in zip(took, ours or (None, None)):
        slower = "" if rate is None else f"{rate * seconds / frames:.1f}"
        cells.append(f"{frames / seconds:>12,.0f} {size / seconds / 1e6:>8.1f} {slower:>12}")
    print(f"{name:<14} {reader:<12} {' '.join(cells)}", flush=True)


for path, others in [(log, [("python-can", theirs)]), (packed, [("python-can", theirs)]),
                     (mdf4, [("python-can", theirs), ("asammdf", asam)]), (plain4, [("asammdf", asam)])]:
    size = path.stat().st_size
    took, all_frames = best(lambda: ours(path))
    line(path.name, "yarder", size, all_frames, took)
    rates = [all_frames / seconds for seconds in took]
    for name, read in others:
        took, frames = best(lambda: read(path))
        line("", name, size * frames / all_frames, frames, took, rates)
