"""From a link into the store: batches by time and count, acknowledgement after the commit, gaps as
records."""

from __future__ import annotations

import contextlib
import secrets
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from reedproof.errors import LineError
from reedproof.link import Link
from reedproof.records import (
    Broke,
    FaultChange,
    Heartbeat,
    Hello,
    LinkDown,
    LinkEvent,
    LinkUp,
    Lost,
    Made,
    Record,
    number_after,
)
from reedproof.store import Store

#: The board keeps 64 records, and at full line rate they come in 33 ms: a batch must be committed
#: and acknowledged well before.
BATCH_S = 0.01
BATCH_RECORDS = 32
#: Counters alone are not worth a commit each: a memory card would wear out on an idle board.
BEATS_S = 1.0


@dataclass
class Recorder:
    """Call ``pump`` in a loop; it returns what happened, everything in it being stored already.

    ``on_boot`` gets the hello whenever the board was connected, before any of its records; ``on_stored``
    gets records with their host times once they are committed.
    """

    link: Link
    store: Store
    wall_s: Callable[[], float] = time.time
    on_boot: Callable[[Recorder, Hello], None] = lambda *_: None
    on_stored: Callable[[Sequence[tuple[Record, float]]], None] = lambda _: None
    batch_s: float = BATCH_S
    beats_s: float = BEATS_S
    _batch: list[tuple[Record, float]] = field(default_factory=list)
    _beats: dict[int, Heartbeat] = field(default_factory=dict)
    _untaken: deque[LinkEvent] = field(default_factory=deque)
    _elsewhere: tuple[int, int] | None = None  # the newest such gap

    def __post_init__(self) -> None:
        if self.link.hello.board == 0:
            self._name_board()
        self._begin(self.link.hello)

    def _name_board(self) -> None:
        """A name by chance, so that its records can be told from another board's."""
        self.link.name_board(1 + secrets.randbelow(0xFFFFFFFF))

    def _begin(self, hello: Hello) -> None:
        self._flushed_s = self.link.now_s()
        self._wall_offset_s = self.wall_s() - self._flushed_s
        self._clock, self._hello, self._hello_s = self.link.clock, hello, self.link.hello_s
        self.boot_id = self.store.boot(hello, self.wall_s())
        self._boot = hello.boot
        self._samples_lost = 0
        stored = self.store.next_number(self.boot_id)
        if hello.oldest > stored and self._elsewhere != (self.boot_id, hello.oldest):
            detail = f"records {stored} to {hello.oldest - 1} were given to another host"
            self.store.add_gap(self.boot_id, self.wall_s(), "elsewhere", detail)
            self._elsewhere = (self.boot_id, hello.oldest)
        self.on_boot(self, hello)

    def host_s(self, time_us: int) -> float:
        """Wall-clock time of a board time. Until a probe has matched the clocks, the hello has to do:
        it left the board a few milliseconds before it arrived."""
        if self._clock.bounded:
            return self._wall_offset_s + self._clock.to_host(time_us)[0]
        link = self.link
        if link.clock is self._clock:  # else the link has met the next boot already
            self._hello, self._hello_s = link.hello, link.hello_s
        return self._wall_offset_s + self._hello_s + (time_us - self._hello.time_us) / 1e6

    def pump(self, timeout_s: float) -> list[LinkEvent]:
        """Stores what came within ``timeout_s``. Raises StoreError when it cannot: then nothing of
        the batch is acknowledged, and the board still has it."""
        end_s = self.link.now_s() + timeout_s
        events: list[LinkEvent] = []
        while True:
            self._listen(max(0.0, end_s - self.link.now_s()), events)
            if self._batch:
                self._wait_for_more(events)
            if self._batch or self.link.now_s() - self._flushed_s >= self.beats_s:
                self.flush()
            if events or not self.link.is_up or self.link.now_s() >= end_s:
                return events

    def _wait_for_more(self, events: list[LinkEvent]) -> None:
        start_s = self.link.now_s()
        while len(self._batch) < BATCH_RECORDS and self.link.now_s() - start_s < self.batch_s:
            self._listen(self.batch_s, events)

    def _listen(self, timeout_s: float, events: list[LinkEvent]) -> None:
        # What the store refuses stays here: dropped, it would be acknowledged with the next batch.
        self._untaken.extend(self.link.poll(0.0 if self._untaken else timeout_s))
        while self._untaken:
            self._take(self._untaken[0])
            events.append(self._untaken.popleft())

    def _take(self, happened: LinkEvent) -> None:
        now_s = self.link.now_s()
        if isinstance(happened, Made | Broke | FaultChange):
            self._batch.append((happened, self.host_s(happened.time_us)))
        elif isinstance(happened, Lost):
            self._gap("board_full", f"{happened.count} records lost on the board")
            self._batch.append((happened, self._wall_offset_s + now_s))
        elif isinstance(happened, Heartbeat):
            self._take_beat(happened)
        elif isinstance(happened, LinkDown):
            self._gap("link_down", happened.reason)
        elif isinstance(happened, LinkUp):
            self.flush()
            if happened.lost_boot:
                self._gap("reboot", f"the board started anew ({happened.hello.reset_name})")
            self._begin(self._named(happened.hello))

    def _named(self, hello: Hello) -> Hello:
        """The hello of this boot with the board's name in it."""
        now = self.link.hello
        if now.boot == hello.boot and now.board == 0:
            with contextlib.suppress(LineError):  # it is gone again, and LinkDown is on its way
                self._name_board()
        return self.link.hello if self.link.hello.boot == hello.boot else hello

    def _take_beat(self, beat: Heartbeat) -> None:
        lost = (beat.snapshots_lost - self._samples_lost) & 0xFFFF
        if lost:
            self._samples_lost = beat.snapshots_lost
            self._gap("samples_lost", f"the board could not follow {lost} samples")
        self._beats[beat.input] = beat

    def _gap(self, kind: str, detail: str) -> None:
        self.flush()
        self.store.add_gap(self.boot_id, self.wall_s(), kind, detail)

    def flush(self) -> None:
        """Commits what is pending, then acknowledges it."""
        self._flushed_s = self.link.now_s()
        if not self._batch and not self._beats:
            return
        self.store.add(self.boot_id, self._batch, self._beats.values())
        if self._batch:
            self.link.acknowledge(self._boot, number_after(self._batch[-1][0]))
            self.on_stored(self._batch)
        self._batch.clear()
        self._beats.clear()
