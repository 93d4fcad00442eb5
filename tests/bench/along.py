#!/usr/bin/env python3
"""What reading files while they come costs: along.py YARDER [MEGABYTES] [ROUNDS].

Fetches a candump file over HTTP from loopback, paced at 1 Gbit/s and unpaced, and a file of as many random bytes, which is
no log and is not read. Prints the median of the rounds: seconds of the whole `yarder once`, and of processor time.
"""
import http.server
import os
import pathlib
import random
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time

yarder = sys.argv[1]
size = int(sys.argv[2] if len(sys.argv) > 2 else 1000) * 1_000_000
rounds = int(sys.argv[3] if len(sys.argv) > 3 else 3)
PIECE = 256 * 1024
pace = None


class Logger(http.server.SimpleHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def copyfile(self, source, outputfile):
        begun, sent = time.perf_counter(), 0
        while piece := source.read(PIECE):
            outputfile.write(piece)
            sent += len(piece)
            if pace:
                time.sleep(max(0.0, begun + sent / pace - time.perf_counter()))

    def log_message(self, *_):
        pass


def log(path):
    rng = random.Random(1)
    ids = ["0CF00400", "0CF00300", "18FEF100", "0CFE6CEE", "18FEEE00", "18FEE500", "18F0010B", "0C000003"]
    lines = "".join(f" can0 {rng.choice(ids)}#{rng.getrandbits(64):016X}\n" for _ in range(1000)).splitlines(True)
    with open(path, "w") as out:
        for n in range(size // 51):
            us = 1_772_428_200_000_000 + n * 600
            out.write(f"({us // 10**6:010d}.{us % 10**6:06d}){lines[n % 1000]}")


def noise(path):
    with open(path, "wb") as out:
        for _ in range(size // 51 * 51 // PIECE + 1):
            out.write(os.urandom(PIECE))
        out.truncate(size // 51 * 51)


def once(card, home):
    (home / "archive").mkdir()
    (home / "yarder.toml").write_text(
        f'[depot]\nname = "bench"\ntime_zone = "UTC"\nstate_dir = "{home}/state"\nspool_reserve = "1 kB"\n'
        f'[[archive]]\nname = "central"\nurl = "file://{home}/archive"\n')
    (home / "vehicles.toml").write_text(
        '[kind.wifi]\nopen_file = "none"\nbit_rate = 250_000\n[[vehicle]]\nid = "PLOW-01"\n[[logger]]\nid = "L-0101"\n'
        f'vehicle = "PLOW-01"\nkind = "wifi"\nurl = "http://127.0.0.1:{server.server_port}/{card}/"\n')
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run([yarder, "--config", home / "yarder.toml", "once"], check=True, stdout=subprocess.DEVNULL,
                   stderr=subprocess.DEVNULL)
    took, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
    return took, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


with tempfile.TemporaryDirectory() as folder:
    os.chdir(folder)
    for card, make in [("log", log), ("noise", noise)]:
        pathlib.Path(card).mkdir()
        make(pathlib.Path(card) / "00000001.log")
        os.utime(pathlib.Path(card) / "00000001.log", (1_772_428_200, 1_772_428_200))
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Logger)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    for name, pace in [("1 Gbit/s", 125e6), ("unpaced", None)]:
        told = {"log": [], "noise": []}
        for _ in range(rounds):
            for card, runs in told.items():
                with tempfile.TemporaryDirectory(dir=folder) as home:
                    runs.append(once(card, pathlib.Path(home)))
        took = {card: [statistics.median(run[n] for run in runs) for n in (0, 1)] for card, runs in told.items()}
        (read, read_cpu), (plain, plain_cpu) = took["log"], took["noise"]
        print(f"{name}: {read:.1f} s read along, {plain:.1f} s not read ({100 * (read / plain - 1):+.1f} %); "
              f"processor {read_cpu:.1f} s and {plain_cpu:.1f} s")
