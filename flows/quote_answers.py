"""The quote in the terminal: two sentences for the customer, and what stands behind them."""

from __future__ import annotations

import re

import polars as pl

from flows.answers import print_cautions
from flows.mixture_answers import NothingKnownError
from flows.terminal import prose
from warehouse.everywhere import here_and_everywhere
from warehouse.questions import ask
from warehouse.quote import FIGURES, read_quote
from warehouse.snapshot import Snapshot, open_reader

MOST_LISTED = 12
DOTS = "● " * 19 + "○"


def print_quote(snapshot: Snapshot, model: str, change: str, *, of_peak: bool) -> None:
    """Print what may be quoted for a model and a change, each named by a part of its name.

    A model or a change that the shop never had is answered as such. Raises NothingKnownError if
    a name fits several; the words list them.
    """
    figure = list(FIGURES)[of_peak]
    with open_reader(snapshot.path) as reader:
        models = dict(ask(reader, "quote_models").select("model_label", "model_id").iter_rows())
        label = _named(model, list(models), "models")
        change_key = _named(change, ask(reader, "quote_changes")["change_key"].to_list(), "changes")
        model_id = models.get(label, "")
        found = read_quote(reader, model_id, label, change_key, figure)
        shared = ask(
            reader, "here_and_everywhere", model_id=model_id, change_key=change_key, figure=figure
        )
    for sentence in found.sentences:
        prose(sentence, style="bold")
    if found.caution:
        prose(f"Caution: {found.caution}", style="yellow")
    if found.row is not None:
        prose(f"{DOTS}  19 of 20 fall into such a range, one does not.")
    for said in filter(None, (*found.evidence, found.promises, found.promises_of_change)):
        prose(f"- {said}")
    for row in shared.filter(pl.col("fitted_parts").is_null()).to_dicts():
        for sentence in here_and_everywhere(row):
            prose(f"- {sentence}")
    print_cautions()


def _plain(name: str) -> str:
    """Return a name as it may be typed: a hyphen stands for every dash."""
    return re.sub("[‐-―−]", "-", name).casefold()


def _named(wanted: str, known: list[str], what: str) -> str:
    """Return the known name that is meant; what was asked where none is."""
    near = [name for name in known if _plain(wanted) in _plain(name)]
    exact = [name for name in near if _plain(name) == _plain(wanted)]
    if len(found := exact or near) > 1:
        listed = "\n".join(f"  {name}" for name in found[:MOST_LISTED])
        more = f"\n  and {len(found) - MOST_LISTED} more" if len(found) > MOST_LISTED else ""
        raise NothingKnownError(f"{wanted!r} fits {len(found)} {what}; name one:\n{listed}{more}")
    return found[0] if found else wanted
