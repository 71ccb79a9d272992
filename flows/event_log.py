"""What serving did, one JSON object a line, for programs that gather logs."""

from __future__ import annotations

import json
import logging
from logging.handlers import RotatingFileHandler
from typing import Any

from warehouse.shop import ShopFolder

MOST_BYTES, KEPT_FILES = 2_000_000, 5
"""Some years of a shop's events, then the oldest go."""


class JsonLines(logging.Formatter):
    """Writes an event with the figures that were given as `extra={"figures": …}`."""

    def format(self, record: logging.LogRecord) -> str:
        """Return one line."""
        told: dict[str, Any] = {
            "at": self.formatTime(record, "%Y-%m-%dT%H:%M:%S%z"),
            "level": record.levelname.lower(),
            "event": record.name.removeprefix("rollbook."),
            "said": record.getMessage(),
        }
        return json.dumps(told | getattr(record, "figures", {}), ensure_ascii=False, default=str)


def keep_events(shop: ShopFolder) -> None:
    """Have the events of this process written into the shop's logs."""
    shop.logs.mkdir(parents=True, exist_ok=True)
    handler = RotatingFileHandler(
        shop.logs / "events.jsonl", maxBytes=MOST_BYTES, backupCount=KEPT_FILES, encoding="utf-8",
        delay=True,
    )  # fmt: skip
    handler.setFormatter(JsonLines())
    log = logging.getLogger("rollbook")
    log.handlers[:] = [handler]
    log.setLevel(logging.INFO)
    log.propagate = False


def event(name: str, said: str, level: int = logging.INFO, **figures: Any) -> None:
    """Write an event; without a place to write it, nothing."""
    logging.getLogger(f"rollbook.{name}").log(level, said, extra={"figures": figures})
