#!/usr/bin/env python3
"""The other side of the comparison with asammdf and python-can (src/inspect/mdf/tests/cross.rs).

    mdf_peers.py write FOLDER SEED   random MDF 4 files, and beside each the frames that were given to its writer
    mdf_peers.py read FOLDER         beside each MDF 4 file there the frames that asammdf finds in it

A frame is a line: microseconds since the start of the file (read) or since 1970 (write), bus, identifier, marks (d data,
r remote, e error, x 29 bits, f FD, b BRS, s ESI, t sent), length, bytes.
"""
import datetime
import pathlib
import random
import sys
import warnings

import asammdf
import can
import numpy as np

warnings.simplefilter("ignore")
LENGTHS = [*range(9), 12, 16, 20, 24, 32, 48, 64]


def line(micros, bus, identifier, marks, length, data):
    return f"{micros} {bus} {identifier:x} {marks} {length} {bytes(data).hex()}\n"


def with_python_can(rng, path, level, count):
    """Data, remote and error frames, of CAN and CAN FD; the writer makes a data group of each kind."""
    lines, now = [], 1_700_000_000_000_000 + rng.randrange(10**12)
    with can.Logger(str(path), compression_level=level) as log:
        for _ in range(count):
            now += rng.randrange(20, 5_000)
            kind = rng.choices("dre", [20, 1, 1])[0]
            extended = rng.random() < 0.6
            fd = kind == "d" and rng.random() < 0.3
            length = LENGTHS[rng.randrange(16 if fd else 9)]
            data = b"" if kind == "r" else rng.randbytes(length)
            sent = rng.random() < 0.2
            brs, esi = fd and rng.random() < 0.5, fd and rng.random() < 0.2
            identifier = rng.randrange(1 << (29 if extended else 11))
            bus = rng.randrange(3)
            log.on_message_received(can.Message(
                timestamp=now / 1e6, arbitration_id=identifier, is_extended_id=extended, is_remote_frame=kind == "r",
                is_error_frame=kind == "e", channel=bus, dlc=length, data=None if kind == "r" else data, is_fd=fd,
                is_rx=not sent, bitrate_switch=brs, error_state_indicator=esi))
            marks = kind + "x" * extended + "f" * fd + "b" * brs + "s" * esi + "t" * sent
            lines.append(line(now, bus, 0 if kind == "e" else identifier, marks, length, data))
    return lines


def with_asammdf(rng, path, level, count, version, groups):
    """Data frames of 8 bytes at most, in groups of a bus each, beside groups of other things."""
    start = datetime.datetime(2026, 3, 2, 5, 10, tzinfo=datetime.timezone.utc)
    mdf = asammdf.MDF(version=version)
    mdf.header.start_time = start
    lines = []
    for group in range(groups):
        times = np.cumsum(rng.choices(range(20, 3_000), k=count)) * groups + group
        frames = np.zeros(count, dtype=[
            ("CAN_DataFrame.BusChannel", "<u1"), ("CAN_DataFrame.ID", "<u4"), ("CAN_DataFrame.IDE", "<u1"),
            ("CAN_DataFrame.DLC", "<u1"), ("CAN_DataFrame.DataLength", "<u1"), ("CAN_DataFrame.DataBytes", "(8,)u1"),
            ("CAN_DataFrame.Dir", "<u1")])
        for row, time in enumerate(times):
            extended, length = rng.random() < 0.5, rng.randrange(9)
            identifier, data = rng.randrange(1 << (29 if extended else 11)), rng.randbytes(length)
            sent = rng.random() < 0.1
            frames[row] = (group + 4, identifier, extended, length, length, list(data.ljust(8, b"\0")), sent)
            marks = "d" + "x" * extended + "t" * sent
            micros = int(start.timestamp()) * 1_000_000 + int(time)
            lines.append((micros, line(micros, group + 4, identifier, marks, length, data)))
        source = asammdf.Source(name=f"bus {group}", path="", comment="", bus_type=asammdf.Source.BUS_TYPE_CAN,
                                source_type=asammdf.Source.SOURCE_BUS)
        mdf.append(asammdf.Signal(samples=frames, timestamps=times / 1e6, name="CAN_DataFrame", source=source),
                   acq_source=source, comment="", common_timebase=True)
        mdf.append([asammdf.Signal(np.arange(50.0), np.arange(50.0), name=f"speed {group}")])
    # The type of the event is in the group's flags.
    for group in mdf.groups:
        if any(channel.name == "CAN_DataFrame" for channel in group.channels):
            group.channel_group.flags |= 6
    mdf.save(path, compression=level, overwrite=True)
    mdf.close()
    return [text for _, text in sorted(lines)]


def write(folder, seed):
    rng = random.Random(seed)
    for level in range(3):
        path = folder / f"python-can-{level}.mf4"
        path.with_suffix(".frames").write_text("".join(with_python_can(rng, path, level, rng.randrange(200, 500))))
        for version in ("4.00", "4.10", "4.11"):
            path = folder / f"asammdf-{version.replace('.', '')}-{level}.mf4"
            lines = with_asammdf(rng, path, level, rng.randrange(100, 400), version, rng.randrange(1, 4))
            path.with_suffix(".frames").write_text("".join(lines))


def read(folder):
    for path in sorted(folder.glob("*.mf4")):
        lines = []
        with asammdf.MDF(path) as mdf:
            for index, group in enumerate(mdf.groups):
                if not any(channel.name == "CAN_DataFrame" for channel in group.channels):
                    continue
                part = {name: mdf.get(f"CAN_DataFrame.{name}", group=index, raw=True)
                        for name in ("BusChannel", "ID", "IDE", "DataLength", "DataBytes", "Dir")}
                times = np.round(part["ID"].timestamps * 1e6).astype("i8")
                for row, time in enumerate(times):
                    value = {name: signal.samples[row] for name, signal in part.items()}
                    length = int(value["DataLength"])
                    marks = "d" + "x" * int(value["IDE"]) + "t" * int(value["Dir"])
                    data = bytes(value["DataBytes"])[:length]
                    lines.append((time, line(time, value["BusChannel"], int(value["ID"]) & 0x1FFFFFFF, marks, length, data)))
        path.with_suffix(".frames").write_text("".join(text for _, text in sorted(lines, key=lambda pair: pair[0])))


if sys.argv[1] == "write":
    write(pathlib.Path(sys.argv[2]), int(sys.argv[3]))
else:
    read(pathlib.Path(sys.argv[2]))
