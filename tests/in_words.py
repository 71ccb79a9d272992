"""Notes in words, for tests that hold what people read."""

import contextlib
import json
import re

import pytest

from flows.metrics.notes import note_of
from warehouse.sentences import in_words, joined, said


def words(told):
    """Return a note, notes or nothing as it is read."""
    if told is None:
        return ""
    return said(told) if isinstance(told, dict) else joined(told, "; ")


@contextlib.contextmanager
def refused(match):
    """Hold that what is done is refused, with words like these."""
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - its words are looked at
        yield
    assert re.search(match, said(note_of(caught.value)))


def read_out(kept):
    """Return what a table keeps as people read it: notes in words, all else as it is."""
    if isinstance(kept, str) and kept.startswith(("{", "[{")) and '"code":' in kept:
        found = json.loads(kept)
        # What else is kept as JSON, a log's facts for one, may hold notes further down.
        return (
            in_words(kept) if "code" in (found[0] if isinstance(found, list) else found) else kept
        )
    return "" if kept == "[]" else kept
