"""How often somebody may try: wrong passwords, and files within an hour."""

from __future__ import annotations

from collections import OrderedDict, deque
from time import monotonic

FORGOTTEN_S = 900.0
"""Wrong tries are forgotten so long after the last one."""
MOST_KEPT = 10_000
HOUR_S = 3600.0


class Tries:
    """Wrong tries by name or by address: after the free ones each waits twice as long."""

    def __init__(self, free: int, longest_s: float) -> None:
        self._free = free
        self._longest_s = longest_s
        self._counts: OrderedDict[str, tuple[int, float]] = OrderedDict()

    def wait_s(self, key: str) -> float:
        """Return for how long no further try is heard."""
        count, at = self._counts.get(key, (0, 0.0))
        since = monotonic() - at
        if count < self._free or since >= FORGOTTEN_S:
            return 0.0
        return max(0.0, min(2.0 ** min(count - self._free, 30), self._longest_s) - since)

    def count(self, key: str) -> None:
        """Count a try, before it is known how it ends: many at once are many."""
        count, at = self._counts.pop(key, (0, 0.0))
        now = monotonic()
        self._counts[key] = (1 if now - at >= FORGOTTEN_S else count + 1, now)
        if len(self._counts) > MOST_KEPT:
            self._counts.popitem(last=False)

    def take_back(self, key: str) -> None:
        """Do not count the last try: it was right."""
        if key in self._counts:
            count, at = self._counts[key]
            self._counts[key] = (max(count - 1, 0), at)

    def forget(self, key: str) -> None:
        """Forget all tries."""
        self._counts.pop(key, None)


class Allowance:
    """What one person may drop on the pages within an hour."""

    def __init__(self, files: int, megabytes: int) -> None:
        self._files = files
        self._bytes = megabytes * 1024 * 1024
        self._taken: dict[str, deque[tuple[float, int]]] = {}

    def takes(self, person: str, size_bytes: int) -> bool:
        """Count a file in; whether it still fits."""
        taken = self._taken.setdefault(person, deque())
        now = monotonic()
        while taken and now - taken[0][0] >= HOUR_S:
            taken.popleft()
        if len(taken) >= self._files or sum(size for _, size in taken) + size_bytes > self._bytes:
            return False
        taken.append((now, size_bytes))
        return True
