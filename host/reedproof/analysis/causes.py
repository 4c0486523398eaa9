"""The rules: what each cause looks like in the symptoms of a contact, a board or a train.

Each rule gives a clue with a score, or none. Scores are about logarithms of odds, but how sure a score makes
one is measured, not assumed: see `calibration`. A rule speaks for its cause alone; which causes explain each
other away is decided in `diagnosis`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from reedproof.analysis.causes_held import parked_magnet, stuck_contact
from reedproof.analysis.causes_input import (
    answered_elsewhere,
    bad_input,
    interference,
    shorted_inputs,
    swapped_plugs,
)
from reedproof.analysis.causes_missed import open_lead, weak_magnet, window_too_long
from reedproof.analysis.causes_split import (
    loose_lead,
    side_lobes,
    turned_magnet,
    window_too_short,
    worn_contact,
)
from reedproof.analysis.causes_train import vehicle
from reedproof.analysis.clue import Clue
from reedproof.analysis.symptoms import Signs, Symptoms

OF_CONTACTS: tuple[Callable[[Signs, Symptoms], Iterator[Clue]], ...] = (
    open_lead, weak_magnet, window_too_long, turned_magnet, side_lobes, loose_lead, window_too_short,
    worn_contact, stuck_contact, parked_magnet,
)  # fmt: skip
OF_LAYOUT: tuple[Callable[[Signs], Iterator[Clue]], ...] = (
    shorted_inputs, swapped_plugs, answered_elsewhere, interference, bad_input, vehicle,
)  # fmt: skip


def clues_of(signs: Signs) -> list[Clue]:
    """Everything that speaks for anything."""
    found = [clue for symptoms in signs.contacts for rule in OF_CONTACTS for clue in rule(signs, symptoms)]
    return found + [clue for rule in OF_LAYOUT for clue in rule(signs)]
