"""What can go wrong in a way the user can do something about. Each text is one line that says what,
where, and what to do next."""

from __future__ import annotations

from reedproof.records import OtherVersion


class ReedproofError(Exception):
    """Base of them all; ``exit_code`` is what a command ends with."""

    exit_code = 2


class LineError(ReedproofError):
    """No board, or no line to it."""

    exit_code = 3


class PortBusy(LineError):
    pass


class LineLost(LineError):
    """The line was there and is gone."""


class NoAnswer(LineError):
    pass


class WrongVersion(LineError):
    """``said`` is the hello in the other version."""

    def __init__(self, text: str, said: OtherVersion) -> None:
        super().__init__(text)
        self.said = said


class StoreError(ReedproofError):
    pass
