"""The one place where the programme's search looks at a clock, and only where the user has set one."""

from __future__ import annotations

import time

__all__ = ["Clock"]


class Clock:
    """Seconds that the user gives a search; without any it never strikes and no clock is read.

    Whoever asks whether it has struck stops then, so that `hit` tells whether a search was cut short.

    Parameters
    ----------
    seconds : float, s, > 0; 0 for no clock
    """

    def __init__(self, seconds: float = 0.0) -> None:
        self.seconds = seconds
        self._end = time.monotonic() + seconds if seconds > 0 else None
        self.hit = False

    def struck(self) -> bool:
        """Whether the time is over; the one who asks stops then."""
        if self._end is not None and not self.hit:
            self.hit = time.monotonic() >= self._end
        return self.hit

    def left(self) -> float | None:
        """Seconds that are left, at least 0; None without a clock."""
        return None if self._end is None else max(self._end - time.monotonic(), 0.0)
