"""A conversation with one board: handshake, numbered records in order, acknowledgement, replies.

A link survives unplugging: it reports LinkDown, tries to come back, and reports LinkUp. It never
reconnects after ``close``.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from typing import TypeVar

from reedproof import wire
from reedproof.clock import ClockMap
from reedproof.errors import LineError, LineLost, NoAnswer, ReedproofError, WrongVersion
from reedproof.records import (
    PROTOCOL_VERSION,
    Acknowledge,
    BoardSettings,
    Broke,
    Command,
    FaultChange,
    GetSettings,
    Hello,
    InputSettings,
    LinkDown,
    LinkEvent,
    LinkUp,
    Lost,
    Made,
    Message,
    NameBoard,
    OtherVersion,
    Reply,
    SayHello,
    Selftest,
    SelftestResult,
    Status,
    TimeProbe,
    TimeReply,
    number_after,
)
from reedproof.transport import Transport

#: Opening the port may reset a board, and the loader of a Mega starts the firmware only once nobody has
#: said anything for a while. The first hello comes before the loader listens.
LOADER_S = 1.5
HELLO_EVERY_S = 0.25
HELLO_WAIT_S = 3.0  # a loader may hold the line for two seconds after a reset
REPLY_WAIT_S = 0.5
REPLY_TRIES = 4
PROBE_EVERY_S = 1.0
SILENCE_S = 3.0  # heartbeats come 32 times a second
RETRY_EVERY_S = 1.0
POLL_MAX_S = 0.5  # longer waits are cut, so that probes go out and silence is noticed
CLOSE_WAIT_S = 1.0  # a try to come back ends sooner, save where opening a port hangs
AGAIN_EVERY_S = 0.1
INBOX_BATCHES = 1000

Arrived = tuple[float, list[Message]]
Wanted = TypeVar("Wanted")


class _DirectInbox:
    """Reads the line when asked: for simulated boards, whose time passes only while one reads."""

    def __init__(self, transport: Transport, decoder: wire.Decoder) -> None:
        self._transport = transport
        self._decoder = decoder
        self.bytes_read = 0

    def get(self, timeout_s: float) -> Arrived | None:
        data = self._transport.read(timeout_s)
        self.bytes_read += len(data)
        return (self._transport.now_s(), self._decoder.feed(data)) if data else None

    def close(self) -> None:
        self._transport.close()


class _ThreadInbox:
    """One thread reads the line into a bounded queue, so that arrival times are good and the
    operating system's buffer never runs over while the program is busy storing."""

    def __init__(self, transport: Transport, decoder: wire.Decoder) -> None:
        self._transport = transport
        self._decoder = decoder
        self.bytes_read = 0
        self._queue: queue.SimpleQueue[Arrived | LineLost] = queue.SimpleQueue()
        self._stopped = threading.Event()
        self._lost: LineLost | None = None
        self._thread = threading.Thread(target=self._work, name=transport.name, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        while not self._stopped.is_set():
            if self._queue.qsize() >= INBOX_BATCHES:  # what is lost on the line now is sent again later
                self._stopped.wait(0.01)
                continue
            try:
                data = self._transport.read(0.1)
                if data:
                    self.bytes_read += len(data)
                    self._queue.put((self._transport.now_s(), self._decoder.feed(data)))
            except LineLost as error:
                self._queue.put(error)
                return

    def get(self, timeout_s: float) -> Arrived | None:
        if self._lost is not None:
            raise self._lost
        try:
            item = self._queue.get(timeout=max(0.0, timeout_s))
        except queue.Empty:
            return None
        if isinstance(item, LineLost):
            self._lost = item
            raise item
        return item

    def close(self) -> None:
        self._stopped.set()
        # First the reader: it must not read from a file number that the system has given away again.
        self._thread.join(timeout=2.0)
        self._transport.close()


class Link:
    """Opens the line and shakes hands.

    ``connect`` opens the line, now and after an unplugging. Raises LineError when it cannot be
    opened, NoAnswer when nobody answers, WrongVersion when the board speaks another version.
    """

    def __init__(self, connect: Callable[[], Transport]) -> None:
        self._connect = connect
        self._events: deque[LinkEvent] = deque()
        self._closed = threading.Event()
        self._opening: Future[Hello] | None = None
        self._sequence = 0
        self._inbox: _DirectInbox | _ThreadInbox | None = None
        self._is_down = False
        self._tokens: dict[int, float] = {}
        self.clock = ClockMap()
        self.decoder = wire.Decoder()
        self.hello = self._open()
        self._expected = self._acknowledged = self.hello.oldest
        self._welcome(self.hello, lost_boot=False)

    # ---- opening ----

    def _open(self) -> Hello:
        self._transport = self._connect()
        self.name = self._transport.name
        self.decoder = wire.Decoder()
        make_inbox = _DirectInbox if self._transport.is_simulated else _ThreadInbox
        self._inbox = make_inbox(self._transport, self.decoder)
        try:
            return self._shake_hands()
        except ReedproofError:
            self._inbox.close()
            raise

    def _shake_hands(self) -> Hello:
        start_s = self.now_s()
        again_s = start_s + LOADER_S
        self._greet()
        while True:
            now_s = self.now_s()
            if self._closed.is_set():
                raise LineLost(f"{self.name}: the link was closed")
            if now_s - start_s > HELLO_WAIT_S:
                raise NoAnswer(self._no_answer())
            if now_s > again_s:
                again_s = now_s + HELLO_EVERY_S
                self._greet()
            for message in self._arrived(HELLO_EVERY_S)[1]:
                if isinstance(message, OtherVersion):
                    raise WrongVersion(self._wrong_version(message), message)
                if isinstance(message, Hello):
                    # It may have been said unasked, after a boot that swallowed our own.
                    self._greet()
                    return message

    def _greet(self) -> None:
        """Ends first what an unplugging or a loader may have left of another frame, lest the hello pass for
        the rest of it."""
        self._transport.write(wire.DELIMITER)
        self._send(SayHello())

    def _no_answer(self) -> str:
        assert self._inbox is not None
        heard = self._inbox.bytes_read
        if heard:
            return (
                f"{self.name}: something sends ({heard} bytes), but no reedproof board answers; is our "
                f"firmware on it? 'reedproof flash {self.name}' writes it"
            )
        return (
            f"{self.name}: no answer; is a board with our firmware on this port ('reedproof flash "
            f"{self.name}' writes it), and does the cable carry data?"
        )

    def _wrong_version(self, other: OtherVersion) -> str:
        older = other.protocol < PROTOCOL_VERSION
        update = f"update the board with 'reedproof flash {self.name}'"
        fix = update if older else "update reedproof on this computer"
        return (
            f"{self.name}: board {other.board:08x} (firmware {other.build:08x}) speaks protocol "
            f"{other.protocol}, this program {PROTOCOL_VERSION}; {fix}"
        )

    def _welcome(self, hello: Hello, *, lost_boot: bool) -> None:
        if lost_boot:
            self._expected = self._acknowledged = hello.oldest
        else:  # what was handed out before the line broke is not handed out again
            self._expected = max(self._expected, hello.oldest)
        self.hello = hello
        self.hello_s = self._heard_s = self._transport.now_s()
        self._probed_s = self._again_s = self._repeated_s = -1e9
        self._hole: int | None = None
        self._tokens.clear()
        self.clock = ClockMap()
        self._events.append(LinkUp(hello, lost_boot))

    # ---- line ----

    def now_s(self) -> float:
        return self._transport.now_s()

    @property
    def transport(self) -> Transport:
        return self._transport

    @property
    def is_up(self) -> bool:
        return not self._is_down

    def _send(self, command: Command) -> int:
        sequence = self._sequence
        self._sequence = (sequence + 1) & 0xFF
        self._transport.write(wire.encode_command(command, sequence))
        return sequence

    def _arrived(self, timeout_s: float) -> Arrived:
        assert self._inbox is not None
        return self._inbox.get(timeout_s) or (self.now_s(), [])

    def _go_down(self, reason: str) -> None:
        if self._is_down:
            return
        if self._inbox is not None:
            self._inbox.close()
            self._inbox = None
        self._is_down = True
        self._events.append(LinkDown(reason))

    def _come_back(self, timeout_s: float) -> None:
        before = (self.hello.board, self.hello.boot)
        try:
            hello = self._open() if self._transport.is_simulated else self._open_meanwhile(timeout_s)
        except WrongVersion:
            raise
        except LineError:
            self._inbox = None
            return
        if hello is not None:
            self._is_down = False
            self._welcome(hello, lost_boot=(hello.board, hello.boot) != before)

    def _open_meanwhile(self, timeout_s: float) -> Hello | None:
        """Opens in a thread of its own: a port on which nobody answers takes seconds, and whoever polls may
        have other boards to listen to. None while it is at it."""
        if self._opening is None:
            self._opening = Future()
            threading.Thread(target=self._work, args=(self._opening,), daemon=True).start()
        try:
            hello = self._opening.result(min(timeout_s, POLL_MAX_S))
        except FutureTimeout:
            return None
        except ReedproofError:
            self._opening = None
            raise
        self._opening = None
        return hello

    def _work(self, opening: Future[Hello]) -> None:
        try:
            opening.set_result(self._open())
        except BaseException as error:
            if isinstance(error, LineError):
                self._closed.wait(RETRY_EVERY_S)
            opening.set_exception(error)

    # ---- what callers use ----

    def poll(self, timeout_s: float) -> list[LinkEvent]:
        """What happened, waiting up to ``timeout_s`` (half a second at most) when nothing has.

        Records come in order, each once; a gap in their numbers never shows, because the board is
        asked again. Raises WrongVersion when another board came back after an unplugging.
        """
        if self._closed.is_set():
            raise LineLost(f"{self.name}: the link was closed")
        if not self._events:
            try:
                if self._is_down:
                    self._come_back(timeout_s)
                else:
                    self._keep_alive()
                    self._take(min(timeout_s, POLL_MAX_S))
            except LineLost as error:
                self._go_down(str(error))
        events = list(self._events)
        self._events.clear()
        return events

    def choose_inputs(self, wanted: Sequence[int] | None) -> list[int]:
        """The wanted inputs in order, all for None. Raises ReedproofError for one the board does not have."""
        hello = self.hello
        chosen = sorted(set(range(1, hello.inputs + 1) if wanted is None else wanted))
        unknown = [number for number in chosen if not 1 <= number <= hello.inputs]
        if unknown:
            raise ReedproofError(
                f"{self.name}: there is no input {unknown[0]}; this {hello.kind_name} board has inputs 1 to "
                f"{hello.inputs}"
            )
        return chosen

    def acknowledge(self, boot: int, next_number: int) -> None:
        """Tells the board that everything of its boot ``boot`` below ``next_number`` is stored. What
        belongs to an earlier boot is of no interest to it any more."""
        if boot != self.hello.boot or next_number <= self._acknowledged:
            return
        self._acknowledged = next_number
        if self.is_up:
            self._try_send(Acknowledge(boot, next_number))

    def request(self, command: Command) -> Reply:
        """Sends a command until it is answered. What else arrives is kept for ``poll``.

        Raises LineLost when the line goes away, NoAnswer when the board keeps silent.
        """

        sent: set[int] = set()

        def is_reply(event: LinkEvent) -> Reply | None:
            if isinstance(event, Reply) and event.command == wire.command_type(command):
                # A late second answer to an earlier command of this type has another sequence.
                return event if event.sequence in sent else None
            return None

        for _ in range(REPLY_TRIES):
            sent.add(self._send(command))
            reply = self.wait_for(is_reply, REPLY_WAIT_S)
            if reply is not None:
                return reply
        raise NoAnswer(
            f"{self.name}: the board does not answer '{type(command).__name__}'; unplug it, plug it in and "
            "try again"
        )

    def obey(self, command: Command) -> None:
        """Like ``request``, and raises LineError unless the board says that it is done."""
        status = self.request(command).status
        if status != Status.DONE:
            said = Status(status).name.lower() if status in list(Status) else str(status)
            raise LineError(f"{self.name}: the board refuses '{type(command).__name__}' ({said}); try again")

    def wait_for(self, pick: Callable[[LinkEvent], Wanted | None], timeout_s: float) -> Wanted | None:
        """The first thing that ``pick`` makes of an event, or None after the time. Other events are
        kept. Raises LineLost when the line goes away meanwhile."""
        end_s = self.now_s() + timeout_s
        kept: list[LinkEvent] = []
        try:
            while self.now_s() < end_s:
                for position, event in enumerate(events := self.poll(end_s - self.now_s())):
                    if isinstance(event, LinkDown):
                        kept.extend(events[position:])
                        raise LineLost(event.reason)
                    wanted = pick(event)
                    if wanted is not None:
                        kept.extend(events[position + 1 :])
                        return wanted
                    kept.append(event)
            return None
        finally:
            self._events.extendleft(reversed(kept))

    def _forget(self, *kinds: type[LinkEvent]) -> None:
        """Drops what a repeated command was answered a second time, lest it answer the next one."""
        self._events = deque(event for event in self._events if not isinstance(event, kinds))

    def settings(self) -> tuple[BoardSettings, dict[int, InputSettings]]:
        """Settings of the board and of each input, read from the board."""
        self._forget(BoardSettings, InputSettings)
        board: list[BoardSettings] = []
        inputs: dict[int, InputSettings] = {}

        def collect(event: LinkEvent) -> bool | None:
            if isinstance(event, BoardSettings):
                board.append(event)
            elif isinstance(event, InputSettings):
                inputs[event.input] = event
            return True if board and len(inputs) == self.hello.inputs else None

        for _ in range(REPLY_TRIES):
            self.obey(GetSettings())
            if self.wait_for(collect, REPLY_WAIT_S):
                return board[-1], inputs
        raise NoAnswer(
            f"{self.name}: the board does not tell its settings; unplug it, plug it in and try again"
        )

    def selftest(self) -> dict[int, SelftestResult]:
        """Runs the electrical self-test of all inputs; the board counts nothing meanwhile."""
        self._forget(SelftestResult)
        results: dict[int, SelftestResult] = {}

        def collect(event: LinkEvent) -> bool | None:
            if isinstance(event, SelftestResult):
                results[event.input] = event
            return True if len(results) == self.hello.inputs else None

        for _ in range(REPLY_TRIES):
            self.request(Selftest())
            if self.wait_for(collect, 2.0):
                return dict(sorted(results.items()))
        raise NoAnswer(f"{self.name}: the self-test does not end; unplug the board, plug it in and try again")

    def name_board(self, board: int) -> None:
        """Gives the board its id, kept in its non-volatile memory."""

        def is_hello(event: LinkEvent) -> bool | None:
            return True if isinstance(event, Hello) and event.board == board else None

        self.obey(NameBoard(board))
        for _ in range(REPLY_TRIES):
            self._send(SayHello())
            if self.hello.board == board or self.wait_for(is_hello, REPLY_WAIT_S):
                return
        raise NoAnswer(f"{self.name}: the board does not take its name")

    def close(self) -> None:
        """Final: a closed link does not come back."""
        self._closed.set()
        if self._opening is not None:
            with contextlib.suppress(ReedproofError, FutureTimeout):
                self._opening.result(CLOSE_WAIT_S)
        if self._inbox is not None:
            self._inbox.close()
            self._inbox = None

    def __enter__(self) -> Link:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ---- events ----

    def _try_send(self, command: Command) -> None:
        try:
            self._send(command)
        except LineLost as error:
            self._go_down(str(error))

    def _keep_alive(self) -> None:
        now_s = self.now_s()
        if now_s - self._probed_s > PROBE_EVERY_S:
            self._probed_s = now_s
            token = self._sequence
            self._tokens = {token: now_s}  # an answer to an older probe would have come by now
            self._send(TimeProbe(token))

    def _take(self, timeout_s: float) -> None:
        arrived_s, messages = self._arrived(timeout_s)
        if messages:
            self._heard_s = arrived_s
        elif arrived_s - self._heard_s > SILENCE_S:
            # Only now: what came while the program was busy with something else is no silence.
            raise LineLost(
                f"{self.name}: the board has been silent for {SILENCE_S:.0f} s; check cable and supply"
            )
        for message in messages:
            if isinstance(message, Made | Broke | FaultChange | Lost):
                self._take_record(message, arrived_s)
            elif isinstance(message, Hello):
                self._take_hello(message)
            elif isinstance(message, OtherVersion):
                raise WrongVersion(self._wrong_version(message), message)
            elif isinstance(message, TimeReply):
                sent_s = self._tokens.pop(message.token, None)
                if sent_s is not None:
                    # A probe that cannot be, after the host was suspended for example, is no use.
                    with contextlib.suppress(ValueError):
                        self.clock.add_probe(sent_s, message.received_us, message.sent_us, arrived_s)
            else:
                self._events.append(message)

    def _take_record(self, record: Made | Broke | FaultChange | Lost, arrived_s: float) -> None:
        boot, acknowledged = self.hello.boot, self._acknowledged
        if record.number < acknowledged and arrived_s - self._repeated_s > AGAIN_EVERY_S:
            self._repeated_s = arrived_s  # our acknowledgement was late or lost
            self._try_send(Acknowledge(boot, acknowledged))
        is_known_hole = self._hole == self._expected and arrived_s - self._again_s < AGAIN_EVERY_S
        if record.number > self._expected and not is_known_hole:
            self._hole, self._again_s = self._expected, arrived_s
            self._try_send(Acknowledge(boot, acknowledged, again=True))
        if record.number != self._expected:
            return
        self._expected = number_after(record)
        self._events.append(record)

    def _take_hello(self, hello: Hello) -> None:
        if hello.boot == self.hello.boot and hello.board == self.hello.board:
            # The first one may have waited in a buffer for long; this one tells the time.
            self.hello, self.hello_s = hello, self.now_s()
            return
        if hello.boot == self.hello.boot and self.hello.board == 0:  # it was given a name
            self.hello = hello
            self._events.append(hello)
            return
        # The board started anew; it talks once it has been greeted.
        self._greet()
        self._welcome(hello, lost_boot=True)
