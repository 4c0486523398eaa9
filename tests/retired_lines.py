"""Serial lines that were unplugged keep their names to themselves.

The system gives the name of a closed pty to the next one, which may be that of a test beside this one; and
whoever still looks for the old board, as a link does that wants to come back, would talk to that.
"""

from __future__ import annotations

import collections
import os

KEPT_MAX = 200  # a line that was unplugged so many lines ago is looked for no more

_kept: collections.deque[int] = collections.deque()


def retire(master: int, port: str) -> None:
    """Closes the master of a pty. A name is not given away as long as its other end is open."""
    _kept.append(os.open(port, os.O_RDWR | os.O_NOCTTY))
    os.close(master)
    while len(_kept) > KEPT_MAX:
        os.close(_kept.popleft())
