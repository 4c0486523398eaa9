"""A recorded contact, replayed to the real binary edge by edge at the times of the recording."""

from __future__ import annotations

from collections.abc import Callable

from avr_board import AvrBoard

from firmware_checks import check_recorded_switch


def test_every_press_closes_once_and_every_release_opens_once(make_board: Callable[..., AvrBoard]) -> None:
    check_recorded_switch(make_board(acknowledge=True, slice_us=5000))
