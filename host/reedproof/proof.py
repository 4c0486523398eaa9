"""Proving a board: who it is, the electrical self-test, and a magnet over every input.

The procedure and its verdicts; asking and showing are the caller's.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from reedproof.errors import LineLost, ReedproofError
from reedproof.recorder import Recorder
from reedproof.records import (
    Arm,
    Broke,
    Fault,
    FaultChange,
    Heartbeat,
    LinkDown,
    LinkEvent,
    LinkUp,
    Lost,
    Made,
    SelftestResult,
    Verdict,
    input_mask,
)

ASK_S = 20.0  # a magnet is passed within this, or the input counts as silent
AFTER_S = 0.4  # what belongs to a pass comes within this
ROUND_S = 1.2  # every input's counters come within this
STUCK_S = 5.0  # a closure that lasts this long after the last magnet is stuck


class Result(str, enum.Enum):
    """What is said of one input. The order is from good to bad."""

    GOOD = "good"
    NOT_TRIED = "not tried"
    MISSED = "missed a pass"
    EXTRA = "extra closure"
    NO_CLOSURE = "no closure"
    SWAPPED = "swapped"
    HELD_HIGH = "held high"
    CHATTER = "chatter"
    SHORTED = "shorted"
    READS_CLOSED = "reads closed"
    STUCK = "stuck closed"


ADVICE = {
    Result.GOOD: "",
    Result.NOT_TRIED: "pass a magnet over it",
    Result.MISSED: "bring the magnet closer, or check lead and plug for a loose contact",
    Result.EXTRA: "one pass must give one closure: turn the magnet, look for a second one or a loose lead",
    Result.NO_CLOSURE: "check lead and plug, then the magnet's height and the contact",
    Result.SWAPPED: "exchange the plugs, or the names on the sheet",
    Result.HELD_HIGH: "power off and unplug it: something holds it high, or it is an open line with a charge",
    Result.CHATTER: "look for a rubbing lead or a bad joint; keep it away from motor leads",
    Result.SHORTED: "power off, look for a solder bridge or a pinched lead",
    Result.READS_CLOSED: "parked magnet, stuck contact or short to ground: power off and unplug to tell",
    Result.STUCK: "move the magnet away; if it stays, replace the contact",
}


#: Faults of the board that say no more than the result does.
_SAID_BY_RESULT = {
    Result.NO_CLOSURE: {"never_triggered"},
    Result.CHATTER: {"chatter", "never_triggered"},
    Result.SHORTED: {"shorted"},
    Result.STUCK: {"stuck_closed"},
}


@dataclass
class InputProof:
    """One input's line in the table. Widths are as the board sends them, rounded down by at most 6 %."""

    input: int
    electrical: str = "good"
    partners: list[int] = field(default_factory=list)
    passes: int = 0
    closures: int = 0
    edges: int = 0
    bounces_max: int = 0
    longest_bounce_us: int = 0
    closed_ms_min: float | None = None
    closed_ms_max: float | None = None
    answered_on: int | None = None
    faults: list[str] = field(default_factory=list)
    result: Result = Result.NOT_TRIED

    @property
    def advice(self) -> str:
        """What to do; empty for a good input."""
        if self.result is Result.SWAPPED:
            return f"it answers on input {self.answered_on}: {ADVICE[self.result]}"
        if self.result is Result.SHORTED and self.partners:
            return f"with input {', '.join(map(str, self.partners))}: {ADVICE[self.result]}"
        return ADVICE[self.result]

    @property
    def other_faults(self) -> list[str]:
        """Faults the board reported that the result does not say already."""
        return [name for name in self.faults if name not in _SAID_BY_RESULT.get(self.result, ())]


@dataclass
class Proof:
    """What was found, ready to be stored and shown again."""

    port: str
    board: int
    kind: str
    build: int
    boot: int
    protocol: int
    sample_us: int
    settings_defaulted: bool
    made_at_s: float
    inputs: list[InputProof]
    interruptions: list[str] = field(default_factory=list)  # what was not observed
    ledger_balances: bool | None = None

    @property
    def is_good(self) -> bool:
        """Every input good, nothing interrupted, every counted closure recorded."""
        return (
            all(line.result is Result.GOOD for line in self.inputs)
            and not self.interruptions
            and self.ledger_balances is not False
        )

    def as_dict(self) -> dict[str, Any]:
        data = asdict(self)
        data["good"] = self.is_good
        for line, proved in zip(data["inputs"], self.inputs, strict=True):
            line["result"] = proved.result.value
            line["advice"] = proved.advice
        return data

    @staticmethod
    def from_dict(data: dict[str, Any]) -> Proof:
        """The inverse of ``as_dict``. Raises ReedproofError for what another version stored."""
        try:
            fields = {name: value for name, value in data.items() if name != "good"}
            fields["inputs"] = [
                InputProof(
                    **{**{k: v for k, v in line.items() if k != "advice"}, "result": Result(line["result"])}
                )
                for line in data["inputs"]
            ]
            return Proof(**fields)
        except (KeyError, TypeError, ValueError) as error:
            raise ReedproofError(
                "this proof was stored by another version of reedproof; update reedproof to see it"
            ) from error


class Prover:
    """Collects what one recorder delivers into a proof.

    ``seen`` is called with every event, after it is stored, so that callers can show it live.
    """

    def __init__(
        self,
        recorder: Recorder,
        made_at_s: float,
        inputs: Sequence[int] | None = None,
        seen: Callable[[LinkEvent], None] = lambda _: None,
    ) -> None:
        self._recorder = recorder
        self._link = recorder.link
        self._seen = seen
        hello = self._link.hello
        chosen = self._link.choose_inputs(inputs)
        self.lines = {number: InputProof(number) for number in chosen}
        self._open: dict[int, tuple[Made, float]] = {}  # with the host's time of arrival
        self._faults: dict[int, Fault] = {number: Fault(0) for number in self.lines}
        self._past_faults: dict[int, Fault] = dict(self._faults)
        self._edges_before: dict[int, int] = {}
        self._closures: dict[int, int] = {}  # of all inputs, also those that were not chosen
        self._first: int | None = None  # records below this number are older than this proof
        self._samples_lost: int | None = None
        self.proof = Proof(
            port=self._link.name,
            board=hello.board,
            kind=hello.kind_name,
            build=hello.build,
            boot=hello.boot,
            protocol=hello.protocol,
            sample_us=hello.sample_us,
            settings_defaulted=hello.settings_defaulted,
            made_at_s=made_at_s,
            inputs=list(self.lines.values()),
        )

        self.is_free = False  # magnets are passed unasked, over every input

    # ---- the three steps ----

    def test_electrically(self) -> dict[int, SelftestResult]:
        """Runs the board's self-test and notes its verdicts."""
        results = self._link.selftest()
        for number, line in self.lines.items():
            result = results[number]
            line.electrical = Verdict(result.verdict).name.lower()
            line.partners = list(result.partners)
        return results

    def begin(self) -> None:
        """Learns the counters as they are, so that only what comes from here on counts, and arms
        the board: it then watches for inputs that never close."""
        self._link.obey(Arm(input_mask(list(self.lines))))
        end_s = self._link.now_s() + ROUND_S
        while len(self._edges_before) < len(self.lines) and self._link.now_s() < end_s:
            self.watch(0.05)

    def guide(
        self, number: int, prompt: Callable[[int, int | None], None], wait_s: float = ASK_S
    ) -> int | None:
        """Asks for a pass over input ``number``, waits for it and returns the input that answered.

        ``prompt(number, None)`` asks; when another input answers, ``prompt(number, other)`` asks
        once more, because a train or a stray closure could have answered. Only when the same other
        input answers again are the plugs called swapped.
        """
        prompt(number, None)
        first = self._wait_for_pass(number, wait_s)
        if first is None or first == number:
            return first
        prompt(number, first)
        second = self._wait_for_pass(number, wait_s)
        self.lines[number].passes = max(1, self.lines[number].passes)
        if second == first:
            self.lines[number].answered_on = first
        return second

    def _wait_for_pass(self, number: int, wait_s: float) -> int | None:
        """The input that answered, the one asked for if it is among them; None when time is up."""
        before = dict(self._closures)
        end_s = self._link.now_s() + wait_s
        while self._link.now_s() < end_s:
            self.watch(min(0.1, end_s - self._link.now_s()))
            if self._grown(before, number) is not None:
                self.watch(AFTER_S)  # what else belongs to this pass
                break
        answered = self._grown(before, number)
        if answered in (number, None):
            self.lines[number].passes += 1  # else it may well have been somebody else's pass
        return answered

    def watch(self, seconds: float) -> None:
        """Stores and notes what comes for a while. Raises LineLost when the board goes away or starts
        anew: what it counted meanwhile is not known."""
        end_s = self._link.now_s() + seconds
        while self._link.now_s() < end_s:
            for event in self._recorder.pump(end_s - self._link.now_s()):
                self._note(event)
                self._seen(event)

    def finish(self) -> Proof:
        """Waits for one more round of counters and for closures that still last, then concludes."""
        self.watch(ROUND_S)
        while any(self._closed_s(number) < STUCK_S for number in self._open):
            self.watch(0.1)
        return self.conclude()

    def _closed_s(self, number: int) -> float:
        """How long the closure that still lasts is known; 0 when there is none."""
        return self._link.now_s() - self._open[number][1] if number in self._open else 0.0

    def conclude(self) -> Proof:
        """Judges every input by what is known, without waiting."""
        for line in self.lines.values():
            line.faults = self._past_faults[line.input].names
            line.result = self._judge(line)
        self._recorder.flush()
        ledger = self._recorder.store.ledger(self._recorder.boot_id)
        told = {entry.input: entry.balances for entry in ledger}
        mine = [told.get(number) for number in self.lines]
        self.proof.ledger_balances = False if False in mine else None if None in mine else True
        self.proof.board = self._link.hello.board
        return self.proof

    # ---- notes ----

    def _grown(self, before: dict[int, int], asked: int) -> int | None:
        grown = [number for number, count in self._closures.items() if count > before.get(number, 0)]
        return asked if asked in grown else grown[0] if grown else None

    def _note(self, event: LinkEvent) -> None:
        match event:
            case Heartbeat():
                self._note_beat(event)
            case Made() | Broke() | FaultChange():
                if self._first is not None and event.number >= self._first:
                    self._note_record(event)
            case Lost():
                # A closure may have ended meanwhile without a word.
                self._open.clear()
                self.proof.interruptions.append(f"{event.count} records did not fit on the board")
            case LinkDown():
                self._interrupt(event.reason)
            case LinkUp(hello, lost_boot=True):
                self._interrupt(f"{self._link.name}: the board started anew ({hello.reset_name})")
            case _:
                pass

    def _interrupt(self, reason: str) -> None:
        self.proof.interruptions.append(reason)
        raise LineLost(reason)

    def _note_beat(self, beat: Heartbeat) -> None:
        if self._first is None:
            # What the board kept from before is not of this proof: no magnet was asked for then.
            self._first, self._samples_lost = beat.next, beat.snapshots_lost
        if beat.snapshots_lost != self._samples_lost:
            self._samples_lost = beat.snapshots_lost
            self.proof.interruptions.append("more changed at once than the board could follow")
        if beat.input in self.lines:
            start = self._edges_before.setdefault(beat.input, beat.edges)
            self.lines[beat.input].edges = beat.edges - start
            self._faults[beat.input] = Fault(beat.faults)
            self._past_faults[beat.input] |= Fault(beat.faults)

    def _note_record(self, record: Made | Broke | FaultChange) -> None:
        number = record.input
        if isinstance(record, Made):
            self._closures[number] = self._closures.get(number, 0) + 1
        line = self.lines.get(number)
        if line is None:
            return
        match record:
            case Made():
                line.closures += 1
                self._open[number] = (record, self._link.now_s())
                self._note_bounce(line, record.bounces, record.gap_us)
            case Broke():
                self._note_bounce(line, record.bounces, 0)
                if number in self._open:
                    made, _ = self._open.pop(number)
                    self._note_duration(line, (record.time_us - made.time_us) / 1000)
            case FaultChange():
                self._change_fault(record)

    @staticmethod
    def _note_bounce(line: InputProof, bounces: int, gap_us: int) -> None:
        line.bounces_max = max(line.bounces_max, bounces)
        line.longest_bounce_us = max(line.longest_bounce_us, gap_us)

    @staticmethod
    def _note_duration(line: InputProof, closed_ms: float) -> None:
        shortest, longest = line.closed_ms_min, line.closed_ms_max
        line.closed_ms_min = closed_ms if shortest is None else min(shortest, closed_ms)
        line.closed_ms_max = closed_ms if longest is None else max(longest, closed_ms)

    def _change_fault(self, change: FaultChange) -> None:
        fault = Fault(change.fault)
        if change.active:
            self._faults[change.input] |= fault
            self._past_faults[change.input] |= fault
        else:
            self._faults[change.input] &= ~fault

    def _judge(self, line: InputProof) -> Result:
        """The worst that is known of it."""
        faults = self._past_faults[line.input]
        if self._closed_s(line.input) >= STUCK_S or Fault.STUCK_CLOSED in self._faults[line.input]:
            return Result.STUCK
        if line.electrical == "shorted":
            return Result.SHORTED
        if line.electrical == "reads_low":
            return Result.READS_CLOSED
        if Fault.CHATTER in faults:
            return Result.CHATTER
        if line.electrical == "held_high":
            return Result.HELD_HIGH
        if line.answered_on is not None:
            return Result.SWAPPED
        if line.closures == 0:
            return Result.NO_CLOSURE if line.passes or self.is_free else Result.NOT_TRIED
        if line.passes and line.closures != line.passes:
            return Result.EXTRA if line.closures > line.passes else Result.MISSED
        return Result.GOOD
