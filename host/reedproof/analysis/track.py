"""What a train meets on its route, in order: each magnet at each contact, once round or there and back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedproof.layout import Route, Sheet, Train, train_on


@dataclass(frozen=True)
class Track:
    """A ring of stations; arrays have shape (stations,).

    ``contact`` is the contact's position in the sheet. ``turned`` marks the station at which a train that
    stood on the last contact of a shuttle would be on its way back without having passed it a second time.
    ``distance_mm`` and ``time_s`` lead to the next station; NaN where the sheet does not tell.
    """

    train: str
    contact: NDArray[np.int16]
    turned: NDArray[np.bool_]
    distance_mm: NDArray[np.float64]
    time_s: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.contact)

    @property
    def is_turn(self) -> NDArray[np.bool_]:
        """Whether the way to the next station is a turn."""
        return np.roll(self.turned, -1)


def tracks_of(sheet: Sheet) -> list[Track]:
    """A track for each train; a route without any has one train with one magnet."""
    routes = {route.name: route for route in sheet.routes}
    manned = {train.route for train in sheet.trains}
    trains = list(sheet.trains)
    trains += [train_on(route) for route in sheet.routes if route.name not in manned]
    return [_track(sheet, routes[train.route], train) for train in trains]


def _track(sheet: Sheet, route: Route, train: Train) -> Track:
    position = {contact.name: at for at, contact in enumerate(sheet.contacts)}
    contacts = np.array([position[name] for name in route.contacts], dtype=np.int16)
    places_mm = np.array(
        [np.nan if (mm := sheet.contacts[at].place_mm) is None else mm for at in contacts], dtype=np.float64
    )
    count = len(contacts)
    legs = route.steps
    leg_mm, leg_s = np.full(legs, np.nan), np.full(legs, np.nan)
    leg_mm[: count - 1] = np.abs(np.diff(places_mm))
    leg_mm[leg_mm == 0] = np.nan
    if route.times_s is not None:
        leg_s[:] = route.times_s
    elif route.speed_mm_s is not None:
        leg_s = leg_mm / route.speed_mm_s
    if route.speed_mm_s is not None:
        leg_mm = np.where(np.isnan(leg_mm), leg_s * route.speed_mm_s, leg_mm)
    if route.kind == "loop":
        return _ring(train, contacts, leg_mm, leg_s)
    return _there_and_back(train, contacts, leg_mm, leg_s)


def _magnets_mm(train: Train) -> NDArray[np.float64]:
    return np.arange(train.magnets, dtype=np.float64) * (train.spacing_mm or 0.0)


def _sorted_stations(
    train: Train, leg_mm: NDArray[np.float64], count: int, lap_mm: float
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Order of (contact, magnet) as they meet, numbered contact * magnets + magnet, and how far the train's
    first magnet has come then. Where distances are not known, a train is short against them."""
    far = np.nanmax(leg_mm) if np.isfinite(leg_mm).any() else 1e6
    legs = np.where(np.isnan(leg_mm), far, leg_mm)[: count - 1]
    places = np.concatenate([[0.0], np.cumsum(legs)])
    at_mm = (places[:, None] + _magnets_mm(train)[None, :]).ravel() % lap_mm
    order = np.argsort(at_mm, kind="stable")
    return order, at_mm[order]


def _between(
    train: Train, order: NDArray[np.int64], at_mm: NDArray[np.float64], leg: NDArray[np.float64],
    leg_mm: NDArray[np.float64],
) -> NDArray[np.float64]:  # fmt: skip
    """``leg`` (mm or s, from contact to contact) from each station to the next but not from the last; exact
    for one magnet and for magnets that follow each other over one contact."""
    contact = order // train.magnets
    steps = np.diff(at_mm)
    result = np.full(len(order), np.nan)
    for i in range(len(order) - 1):
        first, second = contact[i], contact[i + 1]
        if second == first + 1 and train.magnets == 1:
            result[i] = leg[first]
        else:  # part of a leg: by the speed there
            near = min(first, len(leg) - 1)
            result[i] = steps[i] * leg[near] / leg_mm[near] if len(leg) else np.nan
    return result


def _ring(
    train: Train, contacts: NDArray[np.int16], leg_mm: NDArray[np.float64], leg_s: NDArray[np.float64]
) -> Track:
    lap_mm = float(np.sum(leg_mm)) if np.isfinite(leg_mm).all() else np.inf
    order, at_mm = _sorted_stations(train, leg_mm, len(contacts), lap_mm)
    distance = _between(train, order, at_mm, leg_mm, leg_mm)
    time = _between(train, order, at_mm, leg_s, leg_mm)
    if train.magnets == 1:
        distance[-1], time[-1] = leg_mm[-1], leg_s[-1]
    return Track(
        train.name, contacts[order // train.magnets], np.zeros(len(order), dtype=np.bool_), distance, time
    )


def _there_and_back(
    train: Train, contacts: NDArray[np.int16], leg_mm: NDArray[np.float64], leg_s: NDArray[np.float64]
) -> Track:
    there, there_mm = _sorted_stations(train, leg_mm, len(contacts), np.inf)
    back = there[::-1]  # the way back is the same film, run backwards
    distance = _between(train, there, there_mm, leg_mm, leg_mm)[:-1]
    time = _between(train, there, there_mm, leg_s, leg_mm)[:-1]
    turned = np.zeros(2 * len(there), dtype=np.bool_)
    turned[0] = turned[len(there)] = True
    unknown = [np.nan]
    return Track(
        train.name,
        contacts[np.concatenate([there, back]) // train.magnets],
        turned,
        np.concatenate([distance, unknown, distance[::-1], unknown]),
        np.concatenate([time, unknown, time[::-1], unknown]),
    )
