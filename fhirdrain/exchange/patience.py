"""How often and how soon a server is asked again, and how many requests it gets a second."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

# What a server says when it did nothing yet, or cannot tell (RFC 9110, RFC 6585, RFC 8470).
BUSY = (408, 425, 429, 502, 503, 504)


@dataclass(frozen=True, slots=True)
class Patience:
    """How often a request that is safe to repeat is made, and how long is waited in between.

    Waits double from `first` seconds, each times a random part of itself, so that many senders do
    not come back at once. One that the server asks for is kept up to `longest` seconds; a longer
    one is left to the next run.
    """

    attempts: int = 4
    first: float = 0.3
    longest: float = 60.0
    sleep: Callable[[float], object] = time.sleep
    draw: Callable[[], float] = random.random

    def pause(self, attempt: int, asked: float | None = None) -> None:
        """Wait after the attempt of this number (from 1), at least as long as the server asked."""
        backoff = self.first * 2 ** (attempt - 1)
        wait = min(backoff * (0.5 + self.draw() / 2), self.longest)
        self.sleep(max(wait, asked or 0.0))


def retry_after(headers: Mapping[str, str], now: datetime | None = None) -> float | None:
    """Return how many seconds a server asks to wait, as a number or as a date; None if it does not.

    What is neither (RFC 9110, section 10.2.3) is passed over.
    """
    text = headers.get("Retry-After", "").strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    try:
        moment = parsedate_to_datetime(text)
    except (TypeError, ValueError):
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return max((moment - (now or datetime.now(UTC))).total_seconds(), 0.0)


@dataclass(slots=True)
class Pace:
    """Lets at most so many requests a second pass, evenly; all of them where it is None."""

    per_second: float | None = None
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep
    _next: float = 0.0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def wait(self) -> None:
        """Wait until the next request may go."""
        if self.per_second is None:
            return
        with self._lock:
            now = self.clock()
            begin = max(now, self._next)
            self._next = begin + 1 / self.per_second
        if begin > now:
            self.sleep(begin - now)
