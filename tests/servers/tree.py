#!/usr/bin/env python3
"""Makes the trees that the test servers serve, the same bytes and times on every machine.

    tree.py DIR --truth FILE [--small N] [--sizes MIN-MAX] [--big MB] [--raw-name]
        a logger's card with everything that makes listings hard: nested and empty folders, empty files, odd names,
        N small files in one folder (default 5000), one big file (default 300 MB; 0 leaves it out)
    tree.py DIR --truth FILE --fleet LOGGERS,FILES,BYTES
        FILES log files of about BYTES each, spread over DIR/logger-1 ... DIR/logger-LOGGERS

The truth is JSON: {"files": [{"path", "size", "sha256", "mtime"}, ...]}, sorted by path, with mtime in whole seconds.
A path is relative to DIR, with each of its bytes as the character of that number, since a name need not be UTF-8.
"""
import argparse
import hashlib
import itertools
import json
import os
import random

# All times lie between these two: past on any machine that can build this project.
FIRST, LAST = 1704067200, 1772236800  # 2024-01-01, 2026-02-28, UTC
IDS = ["0CF00400", "18FEF100", "18FEEE00", "18FEE900", "18F00503", "0CFE6CEE", "18FEDF00", "18FEBF0B"]
STEPS = range(200, 1800)  # microseconds between two frames
LINE = 51  # bytes, with these identifiers and full frames
CHUNK = 1 << 16  # frames made at once: bounds the memory

ODD = [
    "with space.log", "two  spaces.log", "hash#tag.log", "ask?.log", "percent%41.log", "percent%.log",
    "and&.log", "entity&amp;.log", 'double"quote.log', "single'quote.log", "semi;colon.log", "plus+plus.log",
    "equals=sign.log", "comma,.log", "at@host.log", "colon:name.log", "[brackets].log", "(round).log", "<angle>.log",
    "-dash.log", "tilde.log~", "dots...log", "arrow -> arrow.log", "case.log", "CASE.LOG",
    "\u00e4.log", "\u65e5\u672c.log", "\U0001F69C.log", "long-" + "n" * 191 + ".log",
]


def frames(seed, start, count):
    """The text of `count` invented CAN frames from the second `start` on, in pieces, each with the time it ends at."""
    draw = random.Random(seed)
    now = start * 1_000_000
    while count > 0:
        n = min(count, CHUNK)
        data = draw.randbytes(8 * n).hex().upper()
        times = list(itertools.accumulate(draw.choices(STEPS, k=n), initial=now))
        lines = [
            f"({t // 1_000_000}.{t % 1_000_000:06d}) can0 {i}#{data[at:at + 16]}\n"
            for t, i, at in zip(times, draw.choices(IDS, k=n), range(0, 16 * n, 16))
        ]
        now = times[-1]
        count -= n
        yield "".join(lines).encode(), now // 1_000_000


class Tree:
    def __init__(self, root, expected):
        self.root, self.files = root, []
        # One slot of time for each file, so that no two files bear the same time.
        self.slot = (LAST - FIRST) // max(expected, 1)

    def put(self, path, frame_count):
        """Writes one log file, seeded by its path; like a logger's, it is changed last when its last frame comes."""
        name = os.fsencode(path)
        mtime = start = FIRST + len(self.files) * self.slot + random.Random(name).randrange(self.slot // 4)
        full = os.path.join(self.root, name)
        os.makedirs(os.path.dirname(full), exist_ok=True)
        digest, size = hashlib.sha256(), 0
        with open(full, "wb") as out:
            for piece, mtime in frames(name, start, frame_count):
                out.write(piece)
                digest.update(piece)
                size += len(piece)
        os.utime(full, (mtime, mtime))
        self.files.append({
            "path": name.decode("latin-1"), "size": size, "sha256": digest.hexdigest(), "mtime": mtime,
        })


def card(arguments):
    low, high = (int(n) for n in arguments.sizes.split("-"))
    small, big = arguments.small, arguments.big
    tree = Tree(os.fsencode(arguments.dir), small + len(ODD) + 40)
    tree.put("empty-file.log", 0)
    for session in range(1, 6):
        for split in range(1, 5):
            tree.put(f"{session:08d}/{split:08d}.log", 20 * session * split)
    tree.put("00000006/00000001.log", 0)
    tree.put("deep/er/and/deep/er/still/last.log", 30)
    os.makedirs(os.path.join(arguments.dir, "empty-folder"), exist_ok=True)
    for name in ODD:
        tree.put("odd/" + name, 10)
    for folder in ["odd & ends", "100%", "\u00f8st"]:
        tree.put(folder + "/00000001.log", 10)
    if arguments.raw_name:
        tree.put(os.fsdecode(b"raw/latin-\xe4\xff.log"), 10)
    draw = random.Random("small")
    for n in range(1, small + 1):
        tree.put(f"small/{n:08d}.log", draw.randint(max(low // LINE, 1), max(high // LINE, 1)))
    if big:
        tree.put("big.log", big * 1_000_000 // LINE)
    return tree.files


def fleet(arguments):
    loggers, files, size = (int(n) for n in arguments.fleet.split(","))
    tree = Tree(os.fsencode(arguments.dir), files)
    for n in range(files):
        tree.put(f"logger-{n % loggers + 1}/{n // loggers + 1:08d}.log", max(size // LINE, 1))
    return tree.files


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("dir")
    parser.add_argument("--truth", required=True)
    parser.add_argument("--small", type=int, default=5000)
    parser.add_argument("--sizes", default="200-2000", metavar="MIN-MAX", help="bytes of a small file")
    parser.add_argument("--big", type=int, default=300, metavar="MB")
    parser.add_argument("--raw-name", action="store_true", help="also a name that is not UTF-8")
    parser.add_argument("--fleet", metavar="LOGGERS,FILES,BYTES")
    arguments = parser.parse_args()
    os.makedirs(arguments.dir, exist_ok=True)
    files = fleet(arguments) if arguments.fleet else card(arguments)
    files.sort(key=lambda file: file["path"])
    with open(arguments.truth, "w") as out:
        json.dump({"files": files}, out, indent=0)
    print(f"{len(files)} files, {sum(file['size'] for file in files)} bytes")


if __name__ == "__main__":
    main()
