"""The field of a passing magnet at a reed contact, and the stretches of travel over which it holds it closed.

The contact lies along x with its centre at the origin, and the magnet passes above it. What closes a contact
is taken to be the component of the field along its axis, at its centre. That is an idealisation: the blades
gather the field of some millimetres, and steel nearby bends it. Averaged over 14 mm of a contact 10 mm away,
the field over it is a third weaker and a notch between two closures four times as wide.

The field is that of magpylib, exact for an evenly magnetised cylinder or block. The dipole, simple as it is,
is a third too strong at 10 mm from a magnet of 10 mm.
"""

from __future__ import annotations

import enum
import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from reedproof.errors import ReedproofError

Floats = NDArray[np.float64]

#: Remanence in tesla, from and to, as a maker of magnets gives it (table of grades of Shanghai Magnet). It
#: falls by 0.12 % per kelvin (same table): 5 % for 40 K.
GRADES: dict[str, tuple[float, float]] = {
    "N35": (1.17, 1.22),
    "N38": (1.22, 1.25),
    "N40": (1.25, 1.28),
    "N42": (1.28, 1.32),
    "N45": (1.32, 1.37),
    "N48": (1.37, 1.42),
    "N50": (1.39, 1.44),
    "N52": (1.42, 1.46),
}


class Orientation(enum.Enum):
    """How magnet, contact and travel lie to each other."""

    ACROSS = "across"  # magnet parallel to the contact, travel across both: one closure
    ALONG = "along"  # all three in line: one closure, three where the magnet is near
    UPRIGHT = "upright"  # magnet vertical, travel along the contact: two closures with a notch between
    CROSSWISE = "crosswise"  # magnet in the direction of travel, contact across it: none, if nothing is aside


#: Axes as columns of a position: x along the contact, y across it, z upwards.
_MAGNET_AXIS = {Orientation.ACROSS: 0, Orientation.ALONG: 0, Orientation.UPRIGHT: 2, Orientation.CROSSWISE: 1}
_TRAVEL_AXIS = {Orientation.ACROSS: 1, Orientation.ALONG: 0, Orientation.UPRIGHT: 0, Orientation.CROSSWISE: 1}
#: Those columns in the magnet's own order: its width, its height, its length.
_TURNED = {
    Orientation.ACROSS: [1, 2, 0],
    Orientation.ALONG: [1, 2, 0],
    Orientation.UPRIGHT: [1, 0, 2],
    Orientation.CROSSWISE: [0, 2, 1],
}


class AnyMagnet(ABC):
    """What is magnetised evenly along its length, and that along the z axis. Raises ReedproofError for a size
    or a remanence of 0 or less."""

    length_mm: float
    remanence_t: float

    def __post_init__(self) -> None:
        for what, value in vars(self).items():
            if not 0 < value < math.inf:
                raise ReedproofError(f"{what} of a magnet is {value:g}, but has to be above 0")

    @property
    @abstractmethod
    def section_mm(self) -> tuple[float, float]:
        """How wide it is across its length, along x and y."""

    @property
    @abstractmethod
    def section_mm2(self) -> float:
        """Area of a pole."""

    @property
    @abstractmethod
    def half_diagonal_mm(self) -> float:
        """No point of it is further from its centre."""

    @property
    @abstractmethod
    def size(self) -> str:
        """As it is sold, in mm: '4.9 x 10'."""

    @abstractmethod
    def source(self) -> Any:
        """As magpylib has it, which takes a second to load: commands that need no field should not pay."""

    @abstractmethod
    def covers(self, x_mm: Floats, y_mm: Floats) -> NDArray[np.bool_]:
        """Whether a point is within its section."""

    @property
    def volume_mm3(self) -> float:
        return self.section_mm2 * self.length_mm

    @property
    def strength_mt_mm3(self) -> float:
        """Dipole moment times mu0 / 4 pi: the field in mT from far away is this over the cube of mm."""
        return 1000 * self.remanence_t * self.volume_mm3 / (4 * math.pi)

    def reach_mm(self, field_mt: float) -> float:
        """No point further from the centre than this has a field of ``field_mt``."""
        # Every part of the magnet is a dipole no nearer than the centre less half the diagonal, and the field
        # of a dipole is nowhere stronger than on its axis.
        return self.half_diagonal_mm + math.cbrt(2 * self.strength_mt_mm3 / field_mt)


@dataclass(frozen=True)
class Magnet(AnyMagnet):
    """A cylinder."""

    diameter_mm: float
    length_mm: float
    remanence_t: float

    @property
    def section_mm(self) -> tuple[float, float]:
        return self.diameter_mm, self.diameter_mm

    @property
    def section_mm2(self) -> float:
        return math.pi / 4 * self.diameter_mm**2

    @property
    def half_diagonal_mm(self) -> float:
        return math.hypot(self.diameter_mm, self.length_mm) / 2

    @property
    def size(self) -> str:
        return f"{self.diameter_mm:g} x {self.length_mm:g}"

    def source(self) -> Any:
        import magpylib

        return magpylib.magnet.Cylinder(  # type: ignore[no-untyped-call]
            polarization=(0, 0, self.remanence_t),
            dimension=(self.diameter_mm / 1000, self.length_mm / 1000),
        )

    def covers(self, x_mm: Floats, y_mm: Floats) -> NDArray[np.bool_]:
        return np.hypot(x_mm, y_mm) <= self.diameter_mm / 2


@dataclass(frozen=True)
class Block(AnyMagnet):
    """A cuboid. Its height is upright unless its length is, then it is along the contact."""

    width_mm: float
    height_mm: float
    length_mm: float
    remanence_t: float

    @property
    def section_mm(self) -> tuple[float, float]:
        return self.width_mm, self.height_mm

    @property
    def section_mm2(self) -> float:
        return self.width_mm * self.height_mm

    @property
    def half_diagonal_mm(self) -> float:
        return math.hypot(self.width_mm, self.height_mm, self.length_mm) / 2

    @property
    def size(self) -> str:
        return f"{self.width_mm:g} x {self.height_mm:g} x {self.length_mm:g}"

    def source(self) -> Any:
        import magpylib

        return magpylib.magnet.Cuboid(  # type: ignore[no-untyped-call]
            polarization=(0, 0, self.remanence_t),
            dimension=(self.width_mm / 1000, self.height_mm / 1000, self.length_mm / 1000),
        )

    def covers(self, x_mm: Floats, y_mm: Floats) -> NDArray[np.bool_]:
        return (abs(x_mm) <= self.width_mm / 2) & (abs(y_mm) <= self.height_mm / 2)


def half_upright_mm(magnet: AnyMagnet, orientation: Orientation) -> float:
    """From its centre down to its underside."""
    return (magnet.length_mm if orientation is Orientation.UPRIGHT else magnet.section_mm[1]) / 2


def field_mt(
    magnet: AnyMagnet,
    orientation: Orientation,
    distance_mm: float,
    travel_mm: ArrayLike,
    offset_mm: float = 0.0,
) -> Floats:
    """The field along the contact's axis at its centre, in mT, with its sign; shape as ``travel_mm``.

    Args:
        distance_mm: from the contact's axis up to the magnet's centre.
        travel_mm: shape (n,), where the magnet's centre is along the travel; 0 over the contact.
        offset_mm: how far the magnet is to the side of the travel.

    Raises ReedproofError for a distance below 0, values that are not finite, and where the centre of the
    contact would be inside the magnet.
    """
    positions_mm = _positions(orientation, distance_mm, travel_mm, offset_mm)
    # The magnet stays, with its axis along z as magpylib has it, and the contact's centre goes by.
    points_mm = -positions_mm[:, _TURNED[orientation]]
    along_mm = abs(points_mm[:, 2])
    if np.any((along_mm <= magnet.length_mm / 2) & magnet.covers(points_mm[:, 0], points_mm[:, 1])):
        raise ReedproofError(
            f"the contact would be inside the magnet: {magnet.size} mm, {orientation.value}, "
            f"{distance_mm:g} mm above the contact and {offset_mm:g} mm aside"
        )
    field_t = magnet.source().getB(points_mm / 1000).reshape(-1, 3)
    return np.asarray(1000 * field_t[:, _TURNED[orientation].index(0)], dtype=np.float64)


def dipole_mt(
    magnet: AnyMagnet,
    orientation: Orientation,
    distance_mm: float,
    travel_mm: ArrayLike,
    offset_mm: float = 0.0,
) -> Floats:
    """As `field_mt`, from a dipole of the same moment: what it comes to far away. For checks."""
    positions_mm = _positions(orientation, distance_mm, travel_mm, offset_mm)
    axis = _MAGNET_AXIS[orientation]
    r_mm = np.linalg.norm(positions_mm, axis=1)
    along_both = 3 * positions_mm[:, 0] * positions_mm[:, axis] - (r_mm**2 if axis == 0 else 0)
    return np.asarray(magnet.strength_mt_mm3 * along_both / r_mm**5, dtype=np.float64)


def closures_mm(
    travel_mm: ArrayLike, field_mt: ArrayLike, operate_mt: float, release_mt: float
) -> list[tuple[float, float]]:
    """The stretches of travel over which a contact is closed, (from, to) in direction of travel.

    It closes where the field, of either sign, reaches ``operate_mt`` and opens where it falls below
    ``release_mt``; between samples the field is taken for straight. A contact closed at the first sample
    closes there, one still closed at the last opens there.

    Args:
        travel_mm: shape (n,), increasing.
        field_mt: shape (n,), as `field_mt` gives it.

    Raises ReedproofError unless 0 < release < operate.
    """
    if not 0 < release_mt < operate_mt:
        raise ReedproofError(
            f"a contact that operates at {operate_mt:g} mT has to release below that and above 0,"
            f" not at {release_mt:g} mT"
        )
    travel = np.asarray(travel_mm, dtype=np.float64)
    field = np.asarray(field_mt, dtype=np.float64)
    if not len(field):
        return []
    strengths = np.array([release_mt, operate_mt]).searchsorted(abs(field), side="right")
    changes = (strengths[1:] != strengths[:-1]) | (field[1:] * field[:-1] < 0)
    stretches: list[tuple[float, float]] = []
    closed_at = float(travel[0]) if strengths[0] == 2 else None
    for i in np.flatnonzero(changes).tolist():
        before, after = float(field[i]), float(field[i + 1])
        if after < before:
            before, after = -before, -after
        # A field that rises through zero opens the contact and closes it again, between two samples even.
        if closed_at is not None and before <= -release_mt < after:
            stretches.append((closed_at, _between(travel, i, (-release_mt - before) / (after - before))))
            closed_at = None
        if closed_at is None and before < operate_mt <= after:
            closed_at = _between(travel, i, (operate_mt - before) / (after - before))
    if closed_at is not None:
        stretches.append((closed_at, float(travel[-1])))
    return stretches


def _between(travel: Floats, index: int, share: float) -> float:
    return float(travel[index] + share * (travel[index + 1] - travel[index]))


def _positions(
    orientation: Orientation, distance_mm: float, travel_mm: ArrayLike, offset_mm: float
) -> Floats:
    """Of the magnet's centre, shape (n, 3)."""
    travel = np.asarray(travel_mm, dtype=np.float64).ravel()
    if not (math.isfinite(distance_mm) and math.isfinite(offset_mm) and np.isfinite(travel).all()):
        raise ReedproofError("distance, offset and travel of a magnet have to be numbers of millimetres")
    if distance_mm < 0:
        raise ReedproofError(f"a magnet passes above the contact, not {distance_mm:g} mm from it")
    positions = np.empty((len(travel), 3))
    axis = _TRAVEL_AXIS[orientation]
    positions[:, axis] = travel
    positions[:, 1 - axis] = offset_mm
    positions[:, 2] = distance_mm
    return positions
