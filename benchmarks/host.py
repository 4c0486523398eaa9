"""Replay, decoding and the live reader on this computer."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
import tty
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks import plain
from reedproof import wire
from reedproof.analysis.bounce import PAUSE_MIN_US, find_passes
from reedproof.link import _ThreadInbox
from reedproof.records import Fault
from reedproof.sim import core
from reedproof.sim.contacts import Contact
from reedproof.sim.sweep import Setting, sweep
from reedproof.transport import SerialTransport

Report = Callable[[str, float, str, str], None]


def best_of(times: int, work: Callable[[], Any]) -> tuple[float, Any]:
    """The shortest of several runs, and the result of the last."""
    shortest = float("inf")
    result = None
    for _ in range(times):
        start = time.perf_counter()
        result = work()
        shortest = min(shortest, time.perf_counter() - start)
    return shortest, result


def edges(count: int, seed: int) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Trains running over 16 contacts, with bounce: at least ``count`` raw edges, in order of time."""
    numbers = random.Random(seed)
    contacts = [Contact(numbers) for _ in range(16)]
    found: list[tuple[int, int]] = []
    at_us = at = 0
    while len(found) < count:
        at_us += numbers.randrange(10_000, 60_000)  # closures of neighbours may overlap
        at = (at + 1) % len(contacts)
        found += [(time_us, at + 1) for time_us, _ in contacts[at].pass_magnet(at_us)]
    found.sort()
    return np.array([t for t, _ in found], dtype=np.int64), np.array([n for _, n in found], dtype=np.uint8)


def replay(report: Report) -> None:
    times_us, inputs = edges(1_000_000, seed=1)
    fast_s, replayed = best_of(5, lambda: core.replay(times_us, inputs))
    as_lists = times_us.tolist(), inputs.tolist()
    slow_s, plainly = best_of(3, lambda: plain.debounce(*as_lists, 1000, 10000))
    count = 0
    for number, totals in replayed.totals.items():
        mine = replayed.closures[replayed.closures["input"] == number]
        ended = mine[mine["broke_us"] != core.STILL_CLOSED]
        found = [plain.Closure(*(int(c[name]) for name in plain.Closure._fields)) for c in ended]
        count += len(found)
        other = plainly[number]
        assert found == other.closures, "the C core and plain Python disagree"
        assert (totals.edges, totals.blips, totals.dropouts) == (other.edges, other.blips, other.dropouts)
        assert bool(totals.faults & Fault.CHATTER) == other.chattered
    assert count > 100_000, "two empty results prove nothing"
    report("replay of 1 000 000 edges, C core : plain Python", slow_s / fast_s, "x", ">= 35")


def sweeping(report: Report) -> None:
    """A hundred settings over a million edges. Plain Python runs ten of them; all hundred cost it ten times
    that."""
    times_us, inputs = edges(1_000_000, seed=1)
    recordings = {}
    for number in np.unique(inputs).tolist():
        mine = times_us[inputs == number]
        recordings[number] = [(mine, find_passes([mine], [PAUSE_MIN_US]))]
    makes = np.geomspace(500, 10_000, 10).round().astype(int).tolist()
    breaks = np.geomspace(1000, 50_000, 10).round().astype(int).tolist()
    settings = [Setting(make_us, break_us) for make_us in makes for break_us in breaks]
    fast_s, counts = best_of(3, lambda: sweep(recordings, settings))

    tried = [Setting(make_us, break_us) for make_us, break_us in zip(makes, breaks, strict=True)]
    as_lists = times_us.tolist(), inputs.tolist()
    start = time.perf_counter()
    plainly = {setting: plain.debounce(*as_lists, *setting) for setting in tried}
    slow_s = (time.perf_counter() - start) * len(settings) / len(tried)
    for setting in tried:
        for number, count in counts[setting].items():
            found = plainly[setting][number]
            assert count.closures + count.extras == len(found.closures), (
                "the C core and plain Python disagree"
            )
    assert sum(count.closures for count in counts[tried[0]].values()) > 100_000, "nothing was counted"
    report("sweep of 100 settings over 1 000 000 edges", fast_s, "s", "")
    report("the same, C core : plain Python", slow_s / fast_s, "x", ">= 25")


def stream(frames: int, seed: int) -> bytes:
    numbers = random.Random(seed)
    lengths = {2: 14, 3: 14, 6: 40, 8: 16}
    types = [2, 3] * 6 + [6, 8]
    return b"".join(
        wire.encode_frame(type_, i, numbers.randbytes(lengths[type_]))
        for i in range(frames)
        for type_ in [types[i % len(types)]]
    )


def damaged(data: bytes, seed: int) -> bytes:
    numbers = random.Random(seed)
    out = bytearray(data)
    for _ in range(len(out) // 500):
        out[numbers.randrange(len(out))] ^= 1 << numbers.randrange(8)
    for _ in range(len(out) // 5000):
        at = numbers.randrange(len(out))
        del out[at : at + numbers.randrange(1, 40)]
    return bytes(out)


def decode(report: Report) -> None:
    data = damaged(stream(60_000, seed=2), seed=3)
    slow_s, slow = best_of(2, lambda: plain.decode(data))

    def ordinary() -> list[wire.Frame]:
        good = []
        for piece in data.split(b"\0")[:-1]:
            try:
                frame = wire.decode_frame(piece)
                wire.read_message(frame)
            except wire.WireError:
                continue
            good.append(frame)
        return good

    frames = ordinary()
    reader_s, messages = best_of(2, lambda: wire.Decoder().feed(data))
    fast_s, (bulk, _) = best_of(3, lambda: core.decode(data))
    assert len(slow) > 10_000, "two empty results prove nothing"
    assert slow == frames, "plain Python and cobs + crcmod disagree"
    assert [(int(f["type"]), int(f["sequence"]), f["payload"][: f["length"]].tobytes()) for f in bulk] == slow
    assert len(messages) == len(slow)
    report("decoding a stored stream, bulk C : plain Python", slow_s / fast_s, "x", ">= 30")
    report("decoding to frames, cobs + crcmod : plain Python", slow_s / _frames_only(data), "x", ">= 5")
    report("decoding to messages, cobs + crcmod : plain Python", slow_s / reader_s, "x", "")
    report("compiled crcmod", float(wire.CRC_IS_COMPILED), "", "")


def _frames_only(data: bytes) -> float:
    def work() -> int:
        good = 0
        for piece in data.split(b"\0")[:-1]:
            try:
                wire.decode_frame(piece)
            except wire.WireError:
                continue
            good += 1
        return good

    return best_of(3, work)[0]


_WRITER = """
import os, sys, time
fd, data, seconds = int(sys.argv[1]), open(sys.argv[2], "rb").read(), float(sys.argv[3])
start = time.monotonic()
sent = 0
while (now := time.monotonic() - start) < seconds:
    due = int(now * 50_000)  # 500 kbaud
    while sent < due:
        sent += os.write(fd, data[sent % len(data) : sent % len(data) + min(due - sent, 1000)])
    time.sleep(0.001)
print(sent)
"""


def _pty() -> tuple[int, str]:
    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    name = os.ttyname(slave)
    os.close(slave)
    return master, name


def live_load(report: Report, seconds: float = 4.0) -> None:
    """CPU time of the reader at a full line: bytes from another process, in slices of a millisecond."""
    import tempfile

    master, name = _pty()
    transport = SerialTransport(name)
    decoder = wire.Decoder()
    inbox = _ThreadInbox(transport, decoder)
    with tempfile.NamedTemporaryFile() as file:
        file.write(stream(20_000, seed=4))
        file.flush()
        used = time.process_time()
        start = time.monotonic()
        writer = subprocess.Popen(
            [sys.executable, "-c", _WRITER, str(master), file.name, str(seconds)],
            pass_fds=[master], stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        count = 0
        while time.monotonic() - start < seconds + 0.5:
            arrived = inbox.get(0.2)
            count += len(arrived[1]) if arrived else 0
        share = (time.process_time() - used) / seconds
        sent = int(writer.communicate(timeout=10)[0])
    inbox.close()
    os.close(master)
    # The stream is repeated from its start, where one frame may be cut.
    assert count > 0.98 * sent / 24, f"{count} messages of {sent} bytes"
    report("share of a core at a full 500 kbaud line", 100 * share, "%", "<= 8")


_ECHO = """
import os, sys
fd = int(sys.argv[1])
while (data := os.read(fd, 4096)) != b"q":
    os.write(fd, data)
"""


def round_trip(report: Report, rounds: int = 2000) -> None:
    """A frame to an echoing process and back: through the reader thread, and by a bare read."""
    frame = wire.encode_frame(8, 0, bytes(16))

    def median_s(exchange: Callable[[], None]) -> float:
        taken = []
        for _ in range(rounds):
            start = time.perf_counter()
            exchange()
            taken.append(time.perf_counter() - start)
        return float(np.median(taken))

    results = []
    for threaded in (False, True):
        master, name = _pty()
        echo = subprocess.Popen([sys.executable, "-c", _ECHO, str(master)], pass_fds=[master])
        transport = SerialTransport(name)
        fd = transport._fd
        assert fd is not None
        if threaded:
            inbox = _ThreadInbox(transport, wire.Decoder())

            def through_thread() -> None:
                transport.write(frame)  # noqa: B023
                while (arrived := inbox.get(1.0)) is None or not arrived[1]:  # noqa: B023
                    pass

            results.append(median_s(through_thread))
            echo.kill()
            inbox.close()
        else:

            def bare() -> None:
                os.write(fd, frame)  # noqa: B023
                left = len(frame)
                while left:
                    left -= len(os.read(fd, left))  # noqa: B023

            results.append(median_s(bare))
            echo.kill()
            transport.close()
        echo.wait()
        os.close(master)
    report("round trip over a pty, reader thread : bare blocking read", results[1] / results[0], "x", "<= 2")


def run(report: Report) -> None:
    replay(report)
    sweeping(report)
    decode(report)
    round_trip(report)
    live_load(report)
