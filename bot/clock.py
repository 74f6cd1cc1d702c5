"""The project's only reading of the clock. Everything else is handed the time.

A clock is anything with `now()` that returns an aware UTC datetime.
"""

import json
import math
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path


class ClockError(ValueError):
    """A clock that may not be used here, or may not be moved so: what is wrong and the mend."""


class SystemClock:
    """The real time."""

    def now(self) -> datetime:
        return datetime.now(UTC)


class ManualClock:
    """A clock that stands still until it is moved (rehearsals, tests). Safe to share between threads."""

    def __init__(self, start: datetime):
        self._lock = threading.Lock()
        self._now = _aware(start)

    def now(self) -> datetime:
        with self._lock:
            return self._now

    def move_to(self, at: datetime, backwards: bool = False) -> datetime:
        """Set the clock to `at` (aware); returns the new time. ClockError for an earlier time unless `backwards`."""
        with self._lock:
            return self._set(_aware(at), backwards)

    def move(self, by: timedelta, backwards: bool = False) -> datetime:
        """Move the clock by a span; returns the new time. ClockError for a negative span unless `backwards`."""
        with self._lock:
            return self._set(self._now + by, backwards)

    def _set(self, at, backwards):
        if at < self._now and not backwards:
            raise ClockError(f"the clock stands at {self._now.isoformat()} and may not go back to {at.isoformat()}; "
                             "pass backwards=True if that is meant")
        self._now = at
        return at


class FileClock:
    """A test clock for real processes: several of them read the same file, so all agree on the pretended time.

    The file holds JSON {"offset_s": seconds, "rate": factor, "since": epoch seconds}. At the real moment `since` the
    clock shows since + offset_s, and from there it runs at `rate` times real speed (1 real, 60 a minute each second,
    0 stands still). It is read at each `now()`. A file that is missing, half written or senseless changes nothing:
    the last good reading goes on, and before the first one the clock shows the real time.

    ClockError when made with live=True: a live installation runs on real time.
    """

    def __init__(self, path, live: bool):
        if live:
            raise ClockError(f"the test clock {path} is refused in a live installation; "
                             'take out sending.test_clock, or set installation = "trial"')
        self._path = Path(path)
        self._reading = (0.0, 1.0, 0.0)

    def now(self) -> datetime:
        real = time.time()
        reading = self._read(real) or self._reading
        self._reading = reading
        return _shown(reading, real)

    def _read(self, real):
        try:
            data = json.loads(self._path.read_text(encoding="utf-8"))
            reading = tuple(float(data[key]) for key in ("offset_s", "rate", "since"))
            _shown(reading, real)
        except (OSError, ValueError, TypeError, KeyError, OverflowError):
            return None
        return reading if all(map(math.isfinite, reading)) and reading[1] >= 0 else None


def pause(event: threading.Event, seconds: float) -> bool:
    """Sleep for so many real seconds, or until `event` is set; True when it was set. Negative is no sleep."""
    return event.wait(max(0.0, seconds))


def _shown(reading, real):
    offset_s, rate, since = reading
    return datetime.fromtimestamp(since + offset_s + (real - since) * rate, UTC)


def _aware(at):
    if at.tzinfo is None:
        raise ClockError(f"the time {at.isoformat()} has no zone; pass an aware datetime in UTC")
    return at.astimezone(UTC)
