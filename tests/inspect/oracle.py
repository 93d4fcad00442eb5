"""Makes log files at random: python-can writes candump text, CSV and MDF 4, asammdf packs MDF 4 anew, and can-utils
turns candump text into columns. The same programs read the files back, and scapy those with packets; they have to find what
went in. Prints the frames of each file as JSON."""
import json
import logging
import pathlib
import random
import struct
import subprocess
import sys

import can
from asammdf import MDF

logging.getLogger("scapy").setLevel(logging.ERROR)  # it warns of machines without a network
from scapy.layers.can import CANFD
from scapy.utils import PcapReader

folder, seed = pathlib.Path(sys.argv[1]), int(sys.argv[2])
rng = random.Random(seed)
LENGTHS = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]


def frames(count, fd=True, odd=True):
    """Frames in order of time, on two buses."""
    us = 1_700_000_000_000_000 + rng.randrange(10**9)
    for _ in range(count):
        us += rng.choice([0, 1, 7, 100, 1_000, 250_000, 3_000_000])
        extended = rng.random() < 0.5
        message = can.Message(
            timestamp=us / 1e6,
            arbitration_id=rng.randrange(1 << (29 if extended else 11)),
            is_extended_id=extended,
            channel=rng.choice(["can0", "can1"]),
        )
        kind = rng.random()
        if odd and kind < 0.1:
            message.is_remote_frame = True
            message.dlc = rng.randrange(9)
        elif fd and kind < 0.4:
            message.is_fd = True
            message.dlc = rng.choice(LENGTHS)
            message.bitrate_switch = rng.random() < 0.5
            message.error_state_indicator = rng.random() < 0.2
            message.data = bytearray(rng.randbytes(message.dlc))
        else:
            message.dlc = rng.randrange(9)
            message.data = bytearray(rng.randbytes(message.dlc))
        yield us, message


def known(us, m, bus=None):
    return {
        "us": us, "id": m.arbitration_id, "extended": m.is_extended_id, "remote": m.is_remote_frame,
        "error": m.is_error_frame, "fd": m.is_fd, "brs": m.is_fd and m.bitrate_switch,
        "esi": m.is_fd and m.error_state_indicator, "len": m.dlc, "data": bytes(m.data).hex(),
        "bus": m.channel if bus is None else bus,
    }


truth = {}


def write(name, writer, messages, bus=None, sent=lambda m: m):
    with writer(folder / name) as out:
        for _, message in messages:
            out.on_message_received(sent(message))
    truth[name] = [known(us, m, bus) for us, m in messages]


# candump text; python-can writes no length of remote frames and no ESI, and says FD by `##`.
messages = list(frames(3000))
for _, m in messages:
    if m.is_remote_frame:
        m.dlc = 0
write("python-can.log", can.CanutilsLogWriter, messages)

# CSV has neither bus nor FD.
messages = list(frames(3000, fd=False))
for _, m in messages:
    if m.is_remote_frame:
        m.dlc = 0
write("python-can.csv", can.CSVWriter, messages, bus="")

# MDF 4: no bus names; classic and FD, data and remote frames.
def numbered(message):
    copy = can.Message(
        timestamp=message.timestamp, arbitration_id=message.arbitration_id, is_extended_id=message.is_extended_id,
        is_remote_frame=message.is_remote_frame, is_fd=message.is_fd, dlc=message.dlc, data=message.data,
        bitrate_switch=message.bitrate_switch, error_state_indicator=message.error_state_indicator,
        channel=1 if message.channel == "can0" else 2,
    )
    return copy


messages = list(frames(2000, odd=False))
write("python-can.mf4", can.MF4Writer, messages, bus="", sent=numbered)

# The same packed anew, with and without transposition.
for how in (1, 2):
    with MDF(folder / "python-can.mf4") as mdf:
        mdf.save(folder / f"asammdf-{how}.mf4", compression=how, overwrite=True)
    truth[f"asammdf-{how}.mf4"] = truth["python-can.mf4"]


# Text in the form of `candump -L`, every kind of line; `log2long` of can-utils makes columns of it.
def line(us, m):
    frame = f"{m.arbitration_id:08X}" if m.is_extended_id else f"{m.arbitration_id:03X}"
    if m.is_remote_frame:
        frame += "#R" + (str(m.dlc) if m.dlc else rng.choice(["", "0"]))
    elif m.is_fd:
        frame += f"##{m.bitrate_switch + 2 * m.error_state_indicator:X}{bytes(m.data).hex().upper()}"
    else:
        frame += "#" + bytes(m.data).hex().upper()
    return f"({us // 10**6:010d}.{us % 10**6:06d}) {m.channel} {frame}\n"


messages = list(frames(3000))
text = "".join(line(us, m) for us, m in messages)
(folder / "candump.log").write_text(text)
truth["candump.log"] = [known(us, m) for us, m in messages]
columns = subprocess.run(["log2long"], input=text, capture_output=True, text=True, check=True).stdout
(folder / "log2long.log").write_text(columns)
truth["log2long.log"] = [known(us, m) | {"brs": False, "esi": False} for us, m in messages]


# Packets: both byte orders, both resolutions.
def packet(m):
    word = m.arbitration_id | (m.is_extended_id << 31) | (m.is_remote_frame << 30)
    flags = (4 | m.bitrate_switch | 2 * m.error_state_indicator) if m.is_fd else 0
    data = bytes(m.data) + bytes((64 if m.is_fd else 8) - len(m.data))
    return struct.pack(">IBBBB", word, m.dlc, flags, 0, 0) + data


for name, order, magic, scale in [
    ("le-us.pcap", "<", 0xA1B2C3D4, 1), ("be-us.pcap", ">", 0xA1B2C3D4, 1),
    ("le-ns.pcap", "<", 0xA1B23C4D, 1000), ("be-ns.pcap", ">", 0xA1B23C4D, 1000),
]:
    messages = list(frames(500))
    out = struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, 262144, 227)
    for us, m in messages:
        body = packet(m)
        out += struct.pack(order + "IIII", us // 10**6, us % 10**6 * scale, len(body), len(body)) + body
    (folder / name).write_bytes(out)
    truth[name] = [known(us, m, "") for us, m in messages]


def option(order, code, value):
    return struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4)


def block(order, kind, body):
    body += bytes(-len(body) % 4)
    length = 12 + len(body)
    return struct.pack(order + "II", kind, length) + body + struct.pack(order + "I", length)


# Sections of both byte orders, interfaces of several resolutions and offsets, both packet blocks.
out, all_frames = b"", []
for order in "<>":
    out += block(order, 0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1))
    ticks = {"can0": (6, 10**6, 0), "can1": (0x80 | 20, 1 << 20, 1_600_000_000)}
    for name, (code, _, offset) in ticks.items():
        options = option(order, 2, name.encode()) + option(order, 9, bytes([code]))
        options += option(order, 14, struct.pack(order + "q", offset)) + option(order, 0, b"")
        out += block(order, 1, struct.pack(order + "HHI", 227, 0, 0) + options)
    out += block(order, 5, struct.pack(order + "III", 0, 0, 0))
    messages = list(frames(500))
    for us, m in messages:
        _, rate, offset = ticks[m.channel]
        tick = (us - offset * 10**6) * rate // 10**6
        number, body = int(m.channel[-1]), packet(m)
        if rng.random() < 0.8:
            head = struct.pack(order + "IIIII", number, tick >> 32, tick & 0xFFFFFFFF, len(body), len(body))
            out += block(order, 6, head + body)
        else:
            head = struct.pack(order + "HHIIII", number, 0, tick >> 32, tick & 0xFFFFFFFF, len(body), len(body))
            out += block(order, 2, head + body)
    all_frames += messages
(folder / "sections.pcapng").write_bytes(out)
truth["sections.pcapng"] = [known(us, m) for us, m in all_frames]

# Scapy adds no offset of an interface to its times, and names no interface of a packet of the old kind.
for name in (name for name in truth if ".pcap" in name):
    with PcapReader(str(folder / name)) as read:
        packets = list(read)
    assert len(packets) == len(truth[name]), (name, len(packets))
    for p, told in zip(packets, truth[name]):
        flags, data = str(p.flags), b"" if told["remote"] else bytes(p.data)[:p.length]
        is_ = [p.identifier, "extended" in flags, "remote" in flags, isinstance(p, CANFD), p.length, data.hex()]
        assert is_ == [told[key] for key in ("id", "extended", "remote", "fd", "len", "data")], (name, is_, told)
        if name.endswith("ng"):
            assert p.sniffed_on in (told["bus"], None), (name, p.sniffed_on, told)
        offset = 1_600_000_000 if told["bus"] == "can1" else 0
        assert abs(float(p.time) + offset - told["us"] / 1e6) < 2e-6, (name, p.time, told)
    assert name.endswith(".pcap") or sum(p.sniffed_on is not None for p in packets) > len(packets) / 2, name

# What these programs read themselves: python-can each frame, asammdf and `log2asc` of can-utils how many.
def same(name, m, told):
    is_ = [m.arbitration_id, m.is_extended_id, m.is_remote_frame, m.is_fd, bytes(m.data).hex()]
    assert is_ == [told[key] for key in ("id", "extended", "remote", "fd", "data")], (name, is_, told)
    assert abs(m.timestamp - told["us"] / 1e6) < 2e-6, (name, m.timestamp, told)


for name in ["python-can.log", "python-can.csv", "python-can.mf4", "asammdf-1.mf4", "asammdf-2.mf4", "candump.log"]:
    read = list(can.LogReader(folder / name))
    assert len(read) == len(truth[name]), (name, len(read))
    for m, told in zip(read, truth[name]):
        same(name, m, told)
    if name.endswith(".mf4"):
        with MDF(folder / name) as mdf:
            ids = [mdf.get("CAN_DataFrame.ID", group=group, raw=True) for group, _ in mdf.whereis("CAN_DataFrame.ID")]
        assert sum(len(one.samples) for one in ids) == len(truth[name]), name
text = subprocess.run(
    ["log2asc", "-I", folder / "candump.log", "can0", "can1"], capture_output=True, text=True, check=True
).stdout
assert sum(" Rx " in line for line in text.splitlines()) == len(truth["candump.log"]), "log2asc"

json.dump(truth, sys.stdout)
