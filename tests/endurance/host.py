"""The program that works on a run and is killed: a process of its own, on a real line."""

from __future__ import annotations

from multiprocessing.connection import Connection
from pathlib import Path

from endurance.layouts import never
from reedproof.endurance import Endurance
from reedproof.link import Link
from reedproof.store import Store
from reedproof.transport import SerialTransport


def work(path: Path, port: str, told: Connection) -> None:
    """Tells when it has begun to listen."""
    with Store(path) as store, Link(lambda: SerialTransport(port)) as link:
        run = store.run()
        store.reopen_run(run.id)
        engine = Endurance(store, run, {"board0": link}, never)
        told.send("listening")
        while True:
            engine.step(0.05)
