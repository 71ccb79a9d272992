"""The one way to a person's terminal: nothing that came from outside acts on it.

Names, notes and cells of a card or a log may hold escape codes. Each text is made visible where
rich turns it into what is written, so that only rich's own colours and cursor moves pass.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from schemas.visible import visible


class Terminal(Console):
    """A console that shows control characters of what it is given instead of sending them."""

    def __init__(self) -> None:
        # Without markup: `[link=...]` in a name would become an escape code of rich's own.
        super().__init__(markup=False, emoji=False)

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """Render as rich does, each text made visible; its cursor moves are its own."""
        for segment in super().render(renderable, options):
            yield segment if segment.control else Segment(visible(segment.text), segment.style)


console = Terminal()


def say(text: str, style: str = "") -> None:
    """Write a line; where it breaks is left to the window, so that paths can be copied."""
    console.print(Text(text, style=style), soft_wrap=True)


def prose(text: str, style: str = "") -> None:
    """Write sentences, broken between words."""
    console.print(Text(text, style=style))


def line(text: str, style: str = "") -> None:
    """Write one line, cut with a sign where the window ends."""
    console.print(Text(text, style=style), no_wrap=True, overflow="ellipsis")


def set_up_streams() -> None:
    """Write UTF-8 on every system."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(encoding="utf-8", errors="replace")


def write_text(text: str) -> None:
    """Write a text to be copied: not wrapped, not coloured."""
    sys.stdout.write(f"{visible(text)}\n")
    sys.stdout.flush()
