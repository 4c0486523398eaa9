"""What a train meets on its route, and how far it is, worked out by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from analysis.trains import sheet_of
from reedproof.analysis.track import Track, tracks_of
from reedproof.layout import Sheet

NO = np.nan


def sheet(
    kind: str = "loop",
    places_mm: tuple[float | None, ...] = (None, None, None),
    train: dict[str, Any] | None = None,
    **route: Any,
) -> Sheet:
    """Contacts a, b, c on one route, and its train."""
    names = "abcdefgh"[: len(places_mm)]
    return Sheet.model_validate(
        {
            "layout": {"name": "invented"},
            "boards": {"one": {"kind": "virtual"}},
            "contacts": [
                {"name": name, "board": "one", "input": n + 1, "place_mm": place}
                for n, (name, place) in enumerate(zip(names, places_mm, strict=True))
            ],
            "routes": [{"name": "line", "kind": kind, "contacts": list(names), **route}],
            "trains": [{"name": "goods", "route": "line", **(train or {})}],
        }
    )


def only(sheet: Sheet) -> Track:
    (track,) = tracks_of(sheet)
    return track


def same(found: np.ndarray, expected: list[float]) -> None:
    np.testing.assert_allclose(found, expected, rtol=1e-12)


def test_a_loop_without_numbers() -> None:
    track = only(sheet())
    assert track.contact.tolist() == [0, 1, 2]
    assert not track.turned.any()
    same(track.distance_mm, [NO, NO, NO])
    same(track.time_s, [NO, NO, NO])
    assert len(track) == 3


def test_a_loop_with_times_knows_its_way_home() -> None:
    track = only(sheet(times_s=[1.0, 2.0, 4.0], speed_mm_s=100.0))
    same(track.time_s, [1.0, 2.0, 4.0])
    same(track.distance_mm, [100.0, 200.0, 400.0])


def test_a_loop_with_places_and_a_speed_does_not() -> None:
    """Nobody measured from the last contact round to the first."""
    track = only(sheet(places_mm=(0.0, 500.0, 1500.0), speed_mm_s=250.0))
    same(track.distance_mm, [500.0, 1000.0, NO])
    same(track.time_s, [2.0, 4.0, NO])


def test_times_go_before_the_speed_and_places_before_both() -> None:
    track = only(sheet(places_mm=(0.0, 500.0, 1500.0), times_s=[1.0, 3.0, 2.0], speed_mm_s=250.0))
    same(track.time_s, [1.0, 3.0, 2.0])
    same(track.distance_mm, [500.0, 1000.0, 500.0])


def test_places_may_run_backwards_and_one_may_be_missing() -> None:
    track = only(sheet(places_mm=(1500.0, 500.0, None, 100.0)))
    same(track.distance_mm, [1000.0, NO, NO, NO])


def test_two_contacts_at_one_place_have_no_distance() -> None:
    same(only(sheet(places_mm=(0.0, 0.0, 700.0))).distance_mm, [NO, 700.0, NO])


def test_a_shuttle_goes_there_and_back() -> None:
    track = only(sheet("shuttle", times_s=[1.0, 2.0], places_mm=(0.0, 300.0, 900.0)))
    assert track.contact.tolist() == [0, 1, 2, 2, 1, 0]
    same(track.time_s, [1.0, 2.0, NO, 2.0, 1.0, NO])
    same(track.distance_mm, [300.0, 600.0, NO, 600.0, 300.0, NO])
    assert track.turned.tolist() == [True, False, False, True, False, False]


def test_a_shuttle_of_one_contact() -> None:
    track = only(sheet("shuttle", places_mm=(None,)))
    assert track.contact.tolist() == [0, 0]
    same(track.distance_mm, [NO, NO])


def test_a_contact_that_a_route_meets_twice() -> None:
    made = sheet()
    route = made.routes[0].model_copy(update={"contacts": ["a", "b", "a", "c"]})
    assert only(made.model_copy(update={"routes": [route]})).contact.tolist() == [0, 1, 0, 2]


def test_two_magnets_closer_than_any_section() -> None:
    """Each contact twice in a row; from its first magnet to its second at the speed of the section."""
    two = {"magnets": 2, "spacing_mm": 100.0}
    track = only(sheet(times_s=[1.0, 2.0, 4.0], speed_mm_s=200.0, train=two))
    assert track.contact.tolist() == [0, 0, 1, 1, 2, 2]
    # 200, 400 and 800 mm less the 100 mm that the second magnet is behind
    same(track.distance_mm[:5], [100.0, 100.0, 100.0, 300.0, 100.0])
    same(track.time_s[:5], [0.5, 0.5, 0.5, 1.5, 0.5])


def test_magnets_further_apart_than_a_section() -> None:
    """150 mm apart over contacts 100 mm apart: the second contact is met before the second magnet comes."""
    two = {"magnets": 2, "spacing_mm": 150.0}
    track = only(sheet(places_mm=(0.0, 100.0, 200.0), times_s=[1.0, 1.0, 4.0], speed_mm_s=100.0, train=two))
    assert track.contact.tolist() == [0, 1, 0, 2, 1, 2]  # at 0, 100, 150, 200, 250, 350 mm
    same(track.distance_mm[:5], [100.0, 50.0, 50.0, 50.0, 100.0])


def test_magnets_on_a_shuttle_come_back_in_the_other_order() -> None:
    """The last magnet leads on the way back: the same film, run backwards."""
    two = {"magnets": 2, "spacing_mm": 150.0}
    track = only(sheet("shuttle", places_mm=(0.0, 100.0, 300.0), speed_mm_s=100.0, train=two))
    there = [0, 1, 0, 1, 2, 2]  # at 0, 100, 150, 250, 300, 450 mm
    assert track.contact.tolist() == [*there, *there[::-1]]
    same(track.distance_mm, [100.0, 50.0, 100.0, 50.0, 150.0, NO, 150.0, 50.0, 100.0, 50.0, 100.0, NO])
    assert np.flatnonzero(track.turned).tolist() == [0, 6]


def test_magnets_on_a_loop_of_unknown_length_follow_each_other() -> None:
    two = {"magnets": 2, "spacing_mm": 100.0}
    track = only(sheet(train=two))
    assert track.contact.tolist() == [0, 0, 1, 1, 2, 2]
    assert np.isnan(track.distance_mm).all()


def test_every_magnet_meets_every_contact_once_a_lap() -> None:
    for magnets in (1, 2, 3, 7):
        for spacing_mm in (30.0, 170.0, 450.0, 5000.0):
            many = {"magnets": magnets, "spacing_mm": spacing_mm}
            track = only(sheet(times_s=[1.0, 2.0, 4.0], speed_mm_s=100.0, train=many))
            assert np.bincount(track.contact).tolist() == [magnets] * 3
            known = track.distance_mm[:-1]
            assert np.all(known >= 0)
            assert known.sum() <= 700.0


def test_a_route_without_a_train_has_one() -> None:
    made = sheet_of(4).model_copy(update={"trains": []})
    track = only(made)
    assert (track.train, track.contact.tolist()) == ("train on line", [0, 1, 2, 3])


def test_trains_come_in_the_order_of_the_sheet() -> None:
    assert [track.train for track in tracks_of(sheet_of(4, "loop", 3))] == ["train 1", "train 2", "train 3"]


@pytest.mark.parametrize("kind", ["loop", "shuttle"])
def test_no_route_no_track(kind: str) -> None:
    made = sheet(kind)
    assert tracks_of(made.model_copy(update={"routes": [], "trains": []})) == []
