"""How a step tells how far it is, and how a flow runs its steps."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

Result = TypeVar("Result")

Progress = Callable[[int, int, str], None]
"""Called with the number done, the number in all, and a word for what is being done."""

Runner = Callable[..., Any]
"""Runs a step: called with its name, the function and its arguments; schedule.py has Prefect's."""


Heal = Callable[[str], None]
"""Called with a sentence on what was damaged and how it was made whole again."""


def quietly_mended(told: str) -> None:
    """Ignore what was mended."""


def quietly(done: int, total: int, word: str) -> None:
    """Show no progress."""


def plainly(name: str, function: Callable[..., Result], *arguments: object) -> Result:  # noqa: ARG001
    """Call a step directly, without Prefect."""
    return function(*arguments)
