"""`reedproof tune`: settings from what the contacts do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from rich.console import Console
from rich.text import Text

from reedproof.analysis.advice import Advice, Evidence, Status, advise
from reedproof.analysis.bounce import BLIP_MAX_US, SENSIBLE_US, Passes, Times, ended, find_passes, measure, ms
from reedproof.cli.common import JsonOption, console, open_link, print_json, table
from reedproof.errors import LineError, ReedproofError
from reedproof.records import SetInput
from reedproof.sim.core import BREAK_US_DEFAULT, MAKE_US_DEFAULT
from reedproof.sim.sweep import Count, Setting, sweep
from reedproof.trace import Trace
from reedproof.trace_reader import read_trace

SPEED_MM_S = 320.0  # scale 100 km/h at 1:87, scale as in NEM 010
#: Tried where no setting keeps the margins. Two digits: nobody should take the third for knowledge.
TRIED_US = sorted({round(float(f"{value:.2g}")) for value in np.geomspace(200, SENSIBLE_US, 12)})

VERDICT = {
    Status.RECOMMENDED: Text("recommended", style="green"),
    Status.EXCEPTIONS: Text("exceptions", style="yellow"),
    Status.UNSAFE: Text("none is safe", style="red"),
    Status.UNCLEAR: Text("unclear", style="yellow"),
    Status.TOO_LITTLE: Text("too little", style="yellow"),
}

Recordings = list[tuple[Times, Passes]]


@dataclass(frozen=True)
class Trial:
    """What a setting makes of the passes, by the code of the boards.

    Attributes:
        delay_us: the longest from the first edge of a pass until its closing counts.
        end_delay_us: the longest from the end of its last stable stretch until its opening counts.
    """

    setting: Setting
    count: Count
    delay_us: int
    end_delay_us: int


@dataclass(frozen=True)
class Tuned:
    """One input's advice, the recordings it rests on as edges and passes of each trace, and trials of the
    recommended setting and of the best of many; None where there was nothing to try."""

    advice: Advice
    recordings: Recordings
    recommended: Trial | None = None
    best: Trial | None = None


def _try(number: int, recordings: Recordings, settings: Sequence[Setting]) -> Trial:
    """The best of the settings: fewest wrong, then least delay."""
    counts = {setting: inputs[number] for setting, inputs in sweep({number: recordings}, settings).items()}
    best = min(counts, key=lambda setting: (sum(counts[setting][1:]), setting))
    delay_us, end_delay_us = best
    for _, passes in recordings:
        counted = passes.only(passes.longest_closed_us() >= best.make_us)
        if len(counted):
            bounce = measure(counted, best.make_us)
            delay_us = max(delay_us, bounce.making.longest_us + best.make_us)
            end_delay_us = max(end_delay_us, bounce.breaking.longest_us + best.break_us)
    return Trial(best, counts[best], delay_us, end_delay_us)


def tune_input(traces: Sequence[Trace], number: int, pause_us: int | None, pass_us: int | None) -> Tuned:
    """Advice for one input, tried out on its recordings."""
    advice = advise(traces, number, MAKE_US_DEFAULT, BREAK_US_DEFAULT, pause_us, pass_us)
    if advice.evidence is None:
        return Tuned(advice, [])
    edges = [trace.times_us[trace.inputs == number] for trace in traces]
    recordings = [
        (ended(times, each_us), find_passes([times], [each_us], pass_us or BLIP_MAX_US))
        for times, each_us in zip(edges, advice.evidence.pauses_us, strict=True)
    ]
    recommended = best = None
    if advice.make_us is not None and advice.break_us is not None:
        recommended = _try(number, recordings, [Setting(advice.make_us, advice.break_us)])
    if advice.status in (Status.UNSAFE, Status.EXCEPTIONS):
        every = [Setting(make_us, break_us) for make_us in TRIED_US for break_us in TRIED_US]
        best = _try(number, recordings, every)
    return Tuned(advice, recordings, recommended, best)


# ---- text ----


def _numbers(evidence: Evidence | None) -> list[str]:
    if evidence is None:
        return ["-"] * 3
    bounce = evidence.bounce
    return [
        str(evidence.passes),
        ms(max(bounce.making.longest_us, bounce.breaking.longest_us)),
        ms(max(bounce.gap.longest_us, bounce.dropout.longest_us)),
    ]


def _cost(trial: Trial, speed_mm_s: float) -> str:
    way_mm = trial.delay_us * speed_mm_s / 1e6
    return (
        f"a closing counts up to {ms(trial.delay_us)} ms after its first edge, {way_mm:.1f} mm at "
        f"{speed_mm_s:g} mm/s, an opening up to {ms(trial.end_delay_us)} ms after its first edge"
    )


def _counted(count: Count, passes: int) -> str:
    return (
        f"{count.closures} closures in {passes} passes: {count.splits} counted twice, {count.losses} missed, "
        f"{count.extras} closures outside of any pass"
    )


def _spreads(evidence: Evidence) -> list[str]:
    named = {
        "bounce while making": evidence.bounce.making,
        "bounce while breaking": evidence.bounce.breaking,
        "longest gap in a bounce": evidence.bounce.gap,
        "dropout": evidence.bounce.dropout,
    }
    return [
        f"{name}: median {ms(spread.median_us)}, 90 % {ms(spread.p90_us)}, 99 % {ms(spread.p99_us)}, longest "
        f"{ms(spread.longest_us)} ms"
        for name, spread in named.items()
        if spread.longest_us
    ]


def _bound(evidence: Evidence) -> str:
    aside = f" or are like the {evidence.exceptions.count} left aside" if evidence.exceptions else ""
    ahead = (
        f"; with 95 % probability none of the next {evidence.next_closures} do"
        if evidence.next_closures
        else ""
    )
    share = f"{100 * evidence.share_upper:.2g} %"
    longest = f"the {ms(evidence.breaking.needed_us)} ms of the longest ordinary one"
    return (
        f"bound: with 95 % confidence at most {share} of passes open for longer than {longest}{aside}{ahead}"
        f". Order statistics of {evidence.passes} passes, no distribution assumed. It holds for passes like "
        "these (magnet, speeds, wear) that do not depend on each other, and as it is for any one of the "
        "other lengths, not for all of them at once"
    )


def explain(tuned: Tuned, speed_mm_s: float) -> list[str]:
    """Everything there is to say about one input, most important first."""
    advice, evidence = tuned.advice, tuned.advice.evidence
    lines = list(advice.reasons)
    if evidence is None:
        return lines
    if (tried := tuned.recommended) is not None:
        lines += [
            f"tried on these recordings: {_counted(tried.count, evidence.passes)}; what is closed for less "
            f"than {ms(tried.setting.make_us)} ms is not counted (blips here: {evidence.blips})",
            f"cost: {_cost(tried, speed_mm_s)}",
        ]
    if (best := tuned.best) is not None:
        lines.append(
            f"for comparison, not for use: of {len(TRIED_US) ** 2} settings up to {ms(SENSIBLE_US)} ms the "
            f"best on these recordings is make_us {best.setting.make_us}, break_us {best.setting.break_us}: "
            f"{_counted(best.count, evidence.passes)}; {_cost(best, speed_mm_s)}"
        )
    lines += _spreads(evidence)
    if tuned.recommended is not None:
        lines.append(_bound(evidence))
    return lines


def show(tuned: Sequence[Tuned], speed_mm_s: float, out: Console) -> None:
    rows = table(
        ">input", ">passes", ">bounce ms", ">opening ms", ">make_us", ">break_us", "settings",
    )  # fmt: skip
    for one in tuned:
        advice = one.advice
        rows.add_row(
            str(advice.input), *_numbers(advice.evidence), str(advice.make_us or "-"),
            str(advice.break_us or "-"), VERDICT[advice.status],
        )  # fmt: skip
    out.print(rows)
    out.print("bounce ms: longest while making or breaking; opening ms: longest within a pass")
    for one in tuned:
        out.print()
        for position, line in enumerate(explain(one, speed_mm_s)):
            text = f"  {line}" if position else f"input {one.advice.input}: {line}"
            out.print(text, markup=False, soft_wrap=not out.is_terminal)


def document(tuned: Tuned, speed_mm_s: float) -> dict[str, Any]:
    """The JSON form of one input."""
    advice = tuned.advice

    def trial(one: Trial | None) -> dict[str, Any] | None:
        if one is None:
            return None
        return {
            **one.setting._asdict(),
            **one.count._asdict(),
            "delay_us": one.delay_us,
            "delay_mm": one.delay_us * speed_mm_s / 1e6,
            "end_delay_us": one.end_delay_us,
        }

    return {
        "status": advice.status.value,
        "make_us": advice.make_us,
        "break_us": advice.break_us,
        "reasons": list(advice.reasons),
        "recommended": trial(tuned.recommended),
        "best_tried": trial(tuned.best),
        "evidence": asdict(advice.evidence) if advice.evidence else None,
    }


# ---- what can be done with it ----


def draw(path: Path, tuned: Sequence[Tuned]) -> None:
    """The plot of every input that has passes. Raises ReedproofError."""
    from reedproof.plots import bounce_plot

    drawn = {
        one.advice.input: (
            find_passes(
                [times for times, _ in one.recordings],
                one.advice.evidence.pauses_us,
                one.recordings[0][1].pass_us,
            ),
            one.advice.make_us or MAKE_US_DEFAULT,
            one.advice.break_us or BREAK_US_DEFAULT,
            one.advice.make_us is not None,
        )
        for one in tuned
        if one.advice.evidence is not None
    }
    if not drawn:
        raise ReedproofError(f"{path}: nothing to draw, no input has passes; record again while trains run")
    try:
        path.write_text(bounce_plot(drawn), encoding="utf-8")
    except OSError as error:
        raise ReedproofError(
            f"{path}: cannot be written ({error.strerror}); choose another place for the file"
        ) from None


def apply(port: str, advised: Sequence[Advice], out: Console) -> None:
    """Writes what is recommended to a board and reads it back. Raises LineError and ReedproofError."""
    chosen = {
        advice.input: (advice.make_us, advice.break_us)
        for advice in advised
        if advice.make_us is not None and advice.break_us is not None
    }
    if not chosen:
        raise ReedproofError(f"nothing is written to {port}: no input has settings that can be recommended")
    with open_link(port) as link:
        link.choose_inputs(list(chosen))
        for number, (make_us, break_us) in chosen.items():
            link.obey(SetInput(number, make_us, break_us))
        _, held = link.settings()
        for number, wanted in chosen.items():
            if held[number][1:] != wanted:
                raise LineError(
                    f"{link.name}: input {number} holds make_us {held[number].make_us}, break_us "
                    f"{held[number].break_us} after {wanted[0]} and {wanted[1]} were written; try again"
                )
    left = [str(advice.input) for advice in advised if advice.input not in chosen]
    rest = f"; left as it was: input {', '.join(left)}" if left else ""
    names = ", ".join(
        f"{advice.input} (with {advice.evidence.exceptions.count} pass left aside)"
        if advice.evidence is not None and advice.evidence.exceptions
        else str(advice.input)
        for advice in advised
        if advice.input in chosen
    )
    out.print(f"written to {port} and read back: input {names}{rest}", markup=False, soft_wrap=True)


def tune(
    files: Annotated[
        list[Path],
        typer.Argument(
            help="Recordings of the same inputs: files of `record`, VCD, CSV or bounce recordings."
        ),
    ],
    speed_mm_s: Annotated[
        float, typer.Option("--speed-mm-s", help="Speed of the trains, for what a delay costs.", min=0.1)
    ] = SPEED_MM_S,
    pause_ms: Annotated[
        float | None,
        typer.Option(
            "--pause-ms", help="Shortest opening between two passes, if it is not to be found.", min=0.1
        ),
    ] = None,
    pass_ms: Annotated[
        float | None,
        typer.Option("--pass-ms", help="Shortest closing of a pass; what is shorter is a blip.", min=0.1),
    ] = None,
    plot: Annotated[
        Path | None, typer.Option(help="Draw the bounces with the windows into this SVG file.")
    ] = None,
    apply_to: Annotated[
        str | None, typer.Option("--apply", metavar="PORT", help="Write the settings to this board.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Recommend make_us and break_us for each input, from recordings of it.

    Tells why, what the settings cost in delay and distance, and how far the data goes. Exits with 1 when an
    input has no settings that are safe, passes left aside, too little data, or data that can be read in two
    ways.

    Example: reedproof tune mill.csv --plot mill.svg --apply /dev/ttyUSB0
    """
    out = console(stderr=json)
    if plot is not None and plot.exists() and any(file.exists() and plot.samefile(file) for file in files):
        raise ReedproofError(f"--plot {plot}: that is one of the recordings; choose another name")
    traces = [read_trace(file) for file in files]
    numbers = sorted({int(n) for trace in traces for n in (*np.unique(trace.inputs), *trace.recorded)})
    pause_us = None if pause_ms is None else round(pause_ms * 1000)
    pass_us = None if pass_ms is None else round(pass_ms * 1000)
    tuned = [tune_input(traces, number, pause_us, pass_us) for number in numbers]
    lossy = {str(file): trace for file, trace in zip(files, traces, strict=True) if trace.lost or trace.gaps}
    if json:
        print_json(
            {
                "inputs": {str(one.advice.input): document(one, speed_mm_s) for one in tuned},
                "speed_mm_s": speed_mm_s,
                "lost": {file: {"edges": trace.lost, "gaps": trace.gaps} for file, trace in lossy.items()},
            }
        )
    else:
        show(tuned, speed_mm_s, out)
    for file, trace in lossy.items():
        out.print(
            f"{file}: the recorder lost {trace.lost} edges and was blind {trace.gaps} times, so there may be "
            "bounces that are not seen here",
            markup=False,
            soft_wrap=True,
        )
    if plot is not None:
        draw(plot, tuned)
        out.print(f"drawn: {plot}", markup=False, soft_wrap=True)
    if apply_to is not None:
        apply(apply_to, [one.advice for one in tuned], out)
    raise typer.Exit(0 if all(one.advice.status is Status.RECOMMENDED for one in tuned) else 1)
