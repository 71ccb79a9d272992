"""How long each step took when it last made much: what the next time is foretold by."""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Callable, Mapping
from typing import Any

from flows.steps.progress import Runner
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

LEAST_OF_LAST = 0.5
"""Making a few keys is mostly gathering: what takes less than this share of the keys that stand
in the record says little about many, and does not replace it."""


class Taken:
    """Runs steps and notes how many keys each made, and how long that took."""

    def __init__(self, run: Runner) -> None:
        self._run = run
        self._taken: dict[str, tuple[int, float]] = {}

    def run(self, name: str, function: Callable[..., Any], *arguments: object) -> Any:
        """Run a step as it is run anyway."""
        started = time.perf_counter()
        made = self._run(name, function, *arguments)
        if isinstance(made, int) and made > 0:
            self._taken[name] = (made, time.perf_counter() - started)
        return made

    def keep(self, shop: ShopFolder) -> None:
        """Keep what says more than what is known already."""
        known = times(shop)
        told = {
            name: taken
            for name, taken in self._taken.items()
            if taken[0] >= LEAST_OF_LAST * known.get(name, (0, 0.0))[0]
        }
        if told:
            with contextlib.suppress(OSError):  # an estimate less; what was made stands
                # Made among the samples: what a kill leaves there is swept by the next intake.
                told_all = json.dumps(known | told)
                write_whole(shop.step_times, told_all, to_disk=False, made_in=shop.samples)


def times(shop: ShopFolder) -> dict[str, tuple[int, float]]:
    """Return keys and seconds by step; nothing where none were kept or they cannot be read."""
    try:
        found = json.loads(shop.step_times.read_text(encoding="utf-8"))
        return {name: (int(keys), float(taken)) for name, (keys, taken) in found.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def foretold_s(known: Mapping[str, tuple[int, float]], keys: Mapping[str, int]) -> float:
    """Return how long so many keys of each step take, by what is known of them."""
    return sum(taken * keys[name] / made for name, (made, taken) in known.items() if keys.get(name))
