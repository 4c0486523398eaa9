"""What to do about each cause, and what would show that it is the right one."""

from __future__ import annotations

from typing import NamedTuple

from reedproof.analysis.finding import Cause


class Remedy(NamedTuple):
    next_step: str
    confirm: str


REMEDIES = {
    Cause.OPEN_LEAD: Remedy(
        "hold a magnet over the contact: if the lamp of the board stays dark, power off, seat the plug, "
        "then follow the lead to the contact and solder anew what is open; if it lights, look at the "
        "vehicle's magnet",
        "bridge the lead at the contact with a wire: if the lamp of the board stays dark, the lead is "
        "open; if it lights, look at the contact and the magnet",
    ),
    Cause.LOOSE_LEAD: Remedy(
        "power off; seat the plug, solder the joints of the lead anew and fix the cable at the contact",
        "stand a magnet over the contact and move lead and plug: 'reedproof diagnose PORT --input N' "
        "counts the openings",
    ),
    Cause.STUCK_CONTACT: Remedy(
        "tap the contact lightly; if it stays closed with no magnet near, power off and replace it, and "
        "look for what may have welded it: a load, or a long cable without a resistor",
        "unplug it with the power off: if the input reads open then, it was the contact or its lead",
    ),
    Cause.PARKED_MAGNET: Remedy(
        "look for a vehicle or a loose magnet over the contact, and park vehicles elsewhere",
        "roll the vehicle away: the contact opens",
    ),
    Cause.SHORTED_INPUTS: Remedy(
        "power off; look for a solder bridge or pinched leads between the two inputs",
        "unplug one of the two: the other one closes alone",
    ),
    Cause.SWAPPED_PLUGS: Remedy(
        "exchange the two plugs with the power off, or the two inputs on the sheet",
        "pass a magnet over one of them and see which input answers ('reedproof watch PORT')",
    ),
    Cause.WEAK_MAGNET: Remedy(
        "bring magnet and contact closer: raise the contact, or lower the magnets; then look for an "
        "offset to the side and for steel beside it",
        "run the same vehicle over it with the magnet a millimetre lower: the closures get longer",
    ),
    Cause.TURNED_MAGNET: Remedy(
        "turn the contact, or the magnet, until both are parallel and across the track; a longer break_us "
        "would only hide it",
        "run over it slowly and fast: slowly it closes twice, fast once",
    ),
    Cause.SIDE_LOBES: Remedy(
        "turn contact and magnet across the track, or increase the gap between them until only the middle "
        "closing is left",
        "run over it slowly: a short closing before and behind a longer one",
    ),
    Cause.WINDOW_TOO_SHORT: Remedy(
        "record this input and let 'reedproof tune' find break_us; the default is 10000",
        "set the default and run again: the second closures are gone",
    ),
    Cause.WINDOW_TOO_LONG: Remedy(
        "record this input and let 'reedproof tune' find make_us; the default is 1000",
        "set the default and run again: fast passes are counted",
    ),
    Cause.INTERFERENCE: Remedy(
        "lead the cables of the contacts away from motor and mains leads; a capacitor of 1 nF at the "
        "input or a stronger pull-up helps more than settings do",
        "watch the inputs with the motors off: it is quiet",
    ),
    Cause.BAD_INPUT: Remedy(
        "power off and plug the contact into another input; write the new one into the sheet",
        "run 'reedproof prove PORT' with nothing plugged in: the self-test shows the input again",
    ),
    Cause.WORN_CONTACT: Remedy(
        "replace the contact before it fails; look whether something switches more than the input's "
        "current with it",
        "compare its bounce with a new contact's in its place",
    ),
    Cause.VEHICLE: Remedy(
        "look at the magnets of this train: height, direction, whether one is missing or loose",
        "run another train over the same contacts, or hold its magnet lower: the misses stay with the train",
    ),
}
