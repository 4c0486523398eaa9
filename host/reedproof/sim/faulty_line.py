"""A line that damages what passes: flips, losses, cuts, repeats and unplugging, by seed."""

from __future__ import annotations

import random
from dataclasses import dataclass

from reedproof.errors import LineLost
from reedproof.transport import Transport


@dataclass(frozen=True)
class LineFaults:
    """Probabilities per byte; ``unplug_after`` counts bytes read or written."""

    flip: float = 0.0
    drop: float = 0.0
    repeat: float = 0.0
    insert: float = 0.0
    unplug_after: int | None = None


class FaultyLine:
    """Implements Transport around another one."""

    def __init__(self, inner: Transport, faults: LineFaults, seed: int) -> None:
        self._inner = inner
        self._faults = faults
        self._random = random.Random(seed)
        self._passed = 0

    @property
    def name(self) -> str:
        return self._inner.name

    @property
    def is_simulated(self) -> bool:
        return self._inner.is_simulated

    def _damage(self, data: bytes) -> bytes:
        faults, chance = self._faults, self._random.random
        out = bytearray()
        for byte in data:
            if chance() < faults.flip:
                byte ^= 1 << self._random.randrange(8)
            if chance() < faults.drop:
                continue
            out.append(byte)
            if chance() < faults.repeat:
                out.append(byte)
            if chance() < faults.insert:
                out.append(self._random.randrange(256))
        return bytes(out)

    def _count(self, data: bytes) -> bytes:
        """Cuts the line off in the middle of the bytes that reach the limit."""
        limit = self._faults.unplug_after
        if limit is not None and self._passed >= limit:
            self._inner.close()
            raise LineLost(f"{self.name}: the line is gone (unplugged?)")
        kept = data if limit is None else data[: limit - self._passed]
        self._passed += len(data)
        return kept

    def read(self, timeout_s: float) -> bytes:
        return self._count(self._damage(self._inner.read(timeout_s)))

    def write(self, data: bytes) -> None:
        self._inner.write(self._count(self._damage(data)))

    def close(self) -> None:
        self._inner.close()

    def now_s(self) -> float:
        return self._inner.now_s()
