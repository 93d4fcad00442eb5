#!/usr/bin/env python3
"""Times a day's report and the start of the service over the ledger of a large depot after a year.

    tests/bench/year.py PROGRAM FOLDER [--vehicles 500] [--files 20000000] [--runs 5]

The ledger is made by PROGRAM (`yarder once`, with nothing in range) and then filled by SQL: every vehicle has one logger
with one card, an equal share of archived files over 365 days in the order in which they come home, a visit an hour in each
night and what came in it, what is in each file of the last 17 days (as `yarder inspect` tells it of a recording of two buses),
some files of the last day that still wait, and two reports of each of the last 14 days.
FOLDER must not exist, unless `--keep` left it behind: then it is measured again; it takes about 0.8 kB a file. Prints the
medians as JSON: of reports, of starts of the service, and of starts after it was killed while its ledger had a log. With
`--cold`, which needs root, the machine's page cache is dropped before each.
"""
import argparse
import datetime
import json
import os
import pathlib
import shutil
import socket
import sqlite3
import statistics
import subprocess
import time

arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
arguments.add_argument("program")
arguments.add_argument("folder", type=pathlib.Path)
arguments.add_argument("--vehicles", type=int, default=500)
arguments.add_argument("--files", type=int, default=20_000_000)
arguments.add_argument("--runs", type=int, default=5)
arguments.add_argument("--cold", action="store_true", help="drop the page cache before each run; needs root")
arguments.add_argument("--keep", action="store_true", help="leave FOLDER behind")
said = arguments.parse_args()

folder = said.folder.resolve()
made = (folder / "made").exists()
(folder / "archive").mkdir(parents=True, exist_ok=made)
(folder / "yarder.toml").write_text(f"""[depot]
name = "north-yard"
time_zone = "UTC"
day_starts = "12:00"
state_dir = "{folder}/state"
vehicles = "vehicles.toml"

[[access_point]]
name = "east"

[[archive]]
name = "central"
url = "file://{folder}/archive"
""")
with socket.socket() as nobody:
    nobody.bind(("127.0.0.1", 0))
    port = nobody.getsockname()[1]
fleet = ['[kind.bench]\nfiles = ["**/*.log"]\n']
for n in range(said.vehicles):
    fleet.append(f'[[vehicle]]\nid = "PLOW-{n:04}"\naccess_point = "east"\n\n[[logger]]\nid = "L-{n:04}"\n'
                 f'vehicle = "PLOW-{n:04}"\nkind = "bench"\nurl = "http://127.0.0.1:{port}/{n:04}/"\n')
(folder / "vehicles.toml").write_text("\n".join(fleet))
command = [said.program, "--config", str(folder / "yarder.toml")]


def run(*more):
    begin = time.monotonic()
    ended = subprocess.run([*command, *more], capture_output=True, text=True)
    assert ended.returncode in (0, 3), ended.stderr
    return time.monotonic() - begin, ended.stdout


def fill():
    """Fills the ledger; everything before was made by the program itself."""
    now = int(time.time() * 1000)
    db = sqlite3.connect(folder / "state/ledger.sqlite", isolation_level=None)
    db.executescript("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA cache_size = -2000000; PRAGMA temp_store = MEMORY;")
    indexes = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL").fetchall()
    for name, _ in indexes:
        db.execute(f"DROP INDEX {name}")
    db.execute("BEGIN")
    for n in range(said.vehicles):
        db.execute("INSERT OR REPLACE INTO loggers (id, name, vehicle, first_met, last_seen, last_whole) VALUES (?, ?, ?, ?, ?, ?)",
                   (n + 1, f"L-{n:04}", f"PLOW-{n:04}", now - 365 * DAY, now - 600_000, now - 600_000))
        db.execute("INSERT OR REPLACE INTO cards (id, logger, number, began, why) VALUES (?, ?, 1, ?, 'first')",
                   (n + 1, n + 1, now - 365 * DAY))
    db.execute("""
    WITH RECURSIVE n (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i + 1 < ?1 * ?2),
      g AS (SELECT i % (?1 * (?2 / 365)) / (?2 / 365) + 1 AS logger, i / (?1 * (?2 / 365)) * (?2 / 365) + i % (?2 / 365) AS file FROM n),
      f AS (SELECT logger, file, ?3 - 365 * 86400000 + CAST(file * (365.0 * 86400000 / ?2) AS INTEGER) AS at FROM g)
    INSERT INTO versions (logger, card, path, number, vehicle, state, listed, size, time, listed_at, still, sha256, head, tail,
        blocks, proof, whole_at, archived_at)
      SELECT logger, logger, CAST(printf('logs/%08d.log', file) AS BLOB), 1, printf('PLOW-%04d', logger - 1),
        iif(file >= ?2 - 2, 'listed', 'archived'), '31', 1000000 + file, at, at, at,
        randomblob(32), randomblob(32), randomblob(32), randomblob(32), 'length', at, iif(file >= ?2 - 2, NULL, at + 60000) FROM f
    """, (said.vehicles, each, now))
    db.execute("UPDATE versions SET sha256 = NULL, whole_at = NULL, archived_at = NULL, proof = NULL WHERE state = 'listed'")
    db.execute("""INSERT INTO obligations (version, archive, state, k0, k1, location, folded, seq, verified, at)
      SELECT id, 'central', 'verified', NULL, NULL, vehicle || '/' || path, lower(vehicle || '/' || path), id, 'disk-read', archived_at
        FROM versions WHERE state = 'archived'""")
    recording = pathlib.Path(__file__).parents[1] / "recordings/can/j1939/truck-a-2022-two-buses.log"
    told = json.loads(run("inspect", "--json", str(recording))[1])
    del told["file"]
    db.execute("""INSERT INTO facts (version, format, frames, first, last, json)
      SELECT id, 'candump', ?1, time - 600000, time, ?2 FROM versions WHERE state = 'archived' AND whole_at >= ?3""",
               (told["frames"], json.dumps(told, separators=(",", ":")), now - 17 * DAY))
    db.execute("""
    WITH RECURSIVE n (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i + 1 < 365 * 12)
    INSERT INTO visits (logger, began, ended, listings, files, bytes, why)
      SELECT l.id, ?1 - (i / 12) * 86400000 - (i % 12) * 3600000 - 1800000, ?1 - (i / 12) * 86400000 - (i % 12) * 3600000 - 600000, 20, 10,
        10000000, 'it left' FROM n, loggers l""", (now,))
    db.execute("""INSERT INTO air (quarter, logger, bytes)
      SELECT began / 900000, logger, sum(bytes) FROM visits GROUP BY 1, 2""")
    db.execute("COMMIT")
    for _, sql in indexes:
        db.execute(sql)
    db.execute("PRAGMA journal_mode = WAL")
    db.close()


def tell():
    """Two reports of each of the last 14 days, as if they had been made then."""
    made = json.loads(run("report", "--json")[1])
    today = datetime.date.fromisoformat(made["date"])
    db = sqlite3.connect(folder / "state/ledger.sqlite")
    for ago in range(14, 0, -1):
        def then(time):
            return (datetime.datetime.fromisoformat(time) - datetime.timedelta(days=ago)).isoformat().replace("+00:00", "Z")
        date = (today - datetime.timedelta(days=ago)).isoformat()
        of = {**made, "date": date, **{key: then(made[key]) for key in ("from", "to", "as_of")}}
        for final in (0, 1):
            at = int(datetime.datetime.fromisoformat(of["to"] if final else of["as_of"]).timestamp() * 1000)
            db.execute("INSERT INTO reports (date, as_of, final, lived, json) VALUES (?, ?, ?, 0, ?)",
                       (date, at, final, json.dumps({**of, "final": bool(final)}, separators=(",", ":"))))
    db.commit()
    db.close()


def cool():
    if said.cold:
        os.sync()
        pathlib.Path("/proc/sys/vm/drop_caches").write_text("3")


def start(end):
    """Seconds until the service says that it is ready; then `end` ends it."""
    at = str(folder / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(at)
        listener.settimeout(300)
        cool()
        begin = time.monotonic()
        service = subprocess.Popen([*command, "run"], env={**os.environ, "NOTIFY_SOCKET": at},
                                   stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            while b"READY=1" not in listener.recv(4096):
                pass
            return time.monotonic() - begin
        finally:
            end(service)
            service.wait(60)
            os.unlink(at)


def kill(service):
    """As a power cut leaves it: what was committed last is in the log alone."""
    while (folder / "state/ledger.sqlite-wal").stat().st_size == 0:
        time.sleep(0.1)
    service.kill()


DAY = 86_400_000
each = said.files // said.vehicles // 365 * 365  # as many each day
if not made:
    run("once")
    fill()
    tell()
    (folder / "made").touch()

took = {"vehicles": said.vehicles, "files": each * said.vehicles,
        "ledger_bytes": (folder / "state/ledger.sqlite").stat().st_size}
reports = []
for _ in range(said.runs):
    cool()
    seconds, page = run("report", "--json")
    assert len(json.loads(page)["vehicles"]) == said.vehicles
    reports.append(seconds)
took["report_s"] = round(statistics.median(reports), 3)

took["start_s"] = round(statistics.median(start(subprocess.Popen.terminate) for _ in range(said.runs)), 3)
start(kill)
took["start_after_kill_s"] = round(statistics.median(start(kill) for _ in range(said.runs)), 3)
start(subprocess.Popen.terminate)
if not said.keep:
    shutil.rmtree(folder)
print(json.dumps(took))
