"""What may be quoted to a customer for a model and a change, with all that stands behind it."""

from __future__ import annotations

import math
import re
from collections import Counter
from typing import Any, NamedTuple

import duckdb
import polars as pl

from warehouse import wording
from warehouse.questions import ask
from warehouse.wording import counted, number, signed

FIGURES = {
    "mean gain over the riding range": "power over the riding range",
    "peak against peak": "peak power",
}
"""The figures that may be quoted, as out.pooled_effect names them, and as a customer is told."""
WHY_KINDS = dict(zip(FIGURES, ("quote", "quote-peak"), strict=True))
"""Under which kind of address each of them stands."""
MEANT = 0.95
"""19 of 20."""
BY_CHANCE = 0.025
"""A score that so few shops would have by chance, if their ranges were right, is told as low."""
DOUBTED = 0.10
"""Of few quotes, a score that so few shops would have by chance is no ground to lean on."""
LEAST_TOLD = 20
"""Of fewer quotes not even one miss was meant: that all held says next to nothing."""
TOO_FEW = "too few to tell"
HALVINGS = 30
"""A share to a billionth: far below what is shown."""
MOST_NEAR = 3
MOST_NAMED = 2
"""Models that a sentence for a customer has room for."""
NOT_LIKE = "not like for like"
LEFT_OUT = {
    NOT_LIKE: "not like for like",
    "control bike": "of the control bike, which watches the dyno",
    "two jobs": "from one job to a later one",
    "counted once": "the same change again in one job",
}


class Quote(NamedTuple):
    """The answer to one question: what a change will give on a model."""

    model_label: str
    change_key: str
    figure: str
    row: dict[str, Any] | None
    """What is known of the next bike; None where nothing is."""
    score: dict[str, Any] | None
    left_out: pl.DataFrame
    nearest: list[str]

    @property
    def sentences(self) -> tuple[str, str]:
        """Two sentences fit to read to a customer."""
        change = f"this change ({self.change_key})"
        if self.row is None:
            return (
                f"What {change} gives on your bike ({self.model_label}) cannot be told: we have "
                "measured it like for like on no bike.",
                "Measured before and after on our dyno, yours would be the first to tell.",
            )
        next_, measured = (
            _range(self.row[f"{name}_lower_pct"], self.row[f"{name}_upper_pct"])
            for name in ("next", "measured")
        )
        scatter = "because a measurement adds a scatter of its own."
        if self.row["model_id"] is None:
            return (
                f"We have never measured {change} on your bike's model ({self.model_label}). "
                f"Going by {_lent(self.row)}, it would give 19 of 20 bikes {next_} in "
                f"{FIGURES[self.figure]}.",
                f"Measured before and after on our dyno, 19 of 20 would show {measured}, {scatter}",
            )
        return (
            f"{change[0].upper()}{change[1:]} gives 19 of 20 bikes like yours "
            f"({self.model_label}) {next_} in {FIGURES[self.figure]}.",
            f"Measured before and after on our dyno, 19 of 20 will show {measured}, {scatter}",
        )

    @property
    def evidence(self) -> list[str]:
        """What stands behind the quote, the weightiest first."""
        if self.row is None:
            near = "; ".join(self.nearest)
            return [f"Nearest to it that were measured: {near}."] if near else []
        return [*_bikes_behind(self.row), _assumed(self.row), *_left_out(self.left_out)]

    @property
    def caution(self) -> str:
        """What stands beside the quote where earlier ones came out poorly, "" else.

        Of the same change on the same model if that was tried poorly, else of all quotes.
        """
        if self.row is None or self.score is None:
            return ""
        own, every = (
            lean_on_it(self.score[f"{name}_held"] or 0, self.score[name] or 0)
            for name in ("promises_of_change", "promises")
        )
        return f"This model and change: {own}" if own else every and f"All quotes: {every}"

    @property
    def promises(self) -> str:
        """How earlier quotes of this figure came out."""
        return score_sentence(self.score)

    @property
    def promises_of_change(self) -> str:
        """The same for this change on this model, "" where none was tried."""
        if self.score is None or not (tried := self.score["promises_of_change"]):
            return ""
        held = self.score["promises_of_change_held"]
        few = f", {TOO_FEW}" if tried < LEAST_TOLD else ""
        return f"On this model and change: {number(held)} of {number(tried)}{few}."


def read_quote(
    reader: duckdb.DuckDBPyConnection, model_id: str, model_label: str, change_key: str, figure: str
) -> Quote:
    """Return what may be quoted; a model or change that the shop never had is answered too."""
    rows = ask(reader, "quotes", change_key=change_key, figure=figure).to_dicts()
    of_model = [row for row in rows if row["model_id"] == model_id]
    of_others = [row for row in rows if row["model_id"] is None]
    scores = ask(reader, "promise_scores", model_id=model_id, change_key=change_key)
    known = ask(reader, "quote_changes").filter(pl.col("bikes") > 0)["change_key"].to_list()
    return Quote(
        model_label,
        change_key,
        figure,
        next(iter(of_model or of_others), None),
        next((row for row in scores.to_dicts() if row["figure"] == figure), None),
        ask(reader, "quote_left_out", change_key=change_key),
        nearest(change_key, known),
    )


def nearest(change_key: str, known: list[str]) -> list[str]:
    """Return the changes that share most words with one.

    >>> nearest("slip-on, with remap", ["airbox, map untouched", "slip-on, map untouched"])
    ['slip-on, map untouched']
    """
    wanted = _parts_of(change_key)
    alike = {
        change: len(wanted & _parts_of(change)) / len(wanted | _parts_of(change))
        for change in known
        if change != change_key
    }
    found = sorted((change for change in alike if alike[change] > 0), key=lambda c: -alike[c])
    return found[:MOST_NEAR]


def score_sentence(score: dict[str, Any] | None) -> str:
    """Return how many of the last quotes came true.

    >>> score_sentence({"promises": 65, "promises_held": 65})
    '65 of the last 65 quotes came true, 19 of 20 were meant; by these the true share \
lies between 94 and 100 %.'
    """
    if score is None or not score["promises"]:
        return "No quote could be tried yet: that takes a second bike with the same change."
    tried, held = score["promises"], score["promises_held"]
    said = f"{number(held)} of the last {number(tried)} quotes came true, 19 of 20 were meant"
    if at_most(held, tried) < BY_CHANCE:
        return f"{said}: fewer than chance explains. Quote wider than is said here."
    if tried < LEAST_TOLD:
        return f"{said}: {TOO_FEW}."
    low, high = (number(100 * end) for end in share_interval(held, tried))
    return f"{said}; by these the true share lies between {low} and {high} %."


def lean_on_it(held: int, tried: int) -> str:
    """Return that a quote is not to be leaned on, "" where its record gives no reason.

    >>> lean_on_it(7, 9), lean_on_it(8, 9)
    ('7 of 9 held so far, too few to be sure: do not lean on it.', '')
    """
    bound = DOUBTED if tried < LEAST_TOLD else BY_CHANCE
    if at_most(held, tried) >= bound:
        return ""
    few = ", too few to be sure" if tried < LEAST_TOLD else ""
    return f"{number(held)} of {number(tried)} held so far{few}: do not lean on it."


def at_most(held: int, tried: int, share: float = MEANT) -> float:
    """Return the chance that no more quotes than these hold, if 19 of 20 do, or another share."""
    return sum(
        math.comb(tried, count) * share**count * (1 - share) ** (tried - count)
        for count in range(held + 1)
    )


def share_interval(held: int, tried: int) -> tuple[float, float]:
    """Return between what shares the true one lies, 19 times in 20 (Clopper and Pearson 1934).

    >>> [round(end, 4) for end in share_interval(65, 65)]
    [0.9448, 1.0]
    """
    lower = _share_at(held - 1, tried, 1 - BY_CHANCE) if held else 0.0
    upper = _share_at(held, tried, BY_CHANCE) if held < tried else 1.0
    return lower, upper


def _share_at(held: int, tried: int, chance: float) -> float:
    """Return the share at which so many or fewer hold with a chance, halving the range."""
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if at_most(held, tried, middle) > chance else (low, middle)
    return 0.5 * (low + high)


def _parts_of(change_key: str) -> set[str]:
    return set(re.split(r"\s*(?:[,;+&]|\bon\b|\band\b|\bwith\b)\s*", change_key.casefold())) - {""}


def _range(lower: float, upper: float) -> str:
    """Return a range as it is spoken."""
    low, high = number(abs(lower), 1), number(abs(upper), 1)
    if round(lower, 1) >= 0:
        return f"a gain of {low} to {high} %"
    if round(upper, 1) <= 0:
        return f"a loss of {high} to {low} %"
    return f"between a loss of {low} % and a gain of {high} %"


def _lent(row: dict[str, Any]) -> str:
    """Return which bikes of other models a quote is borrowed from."""
    models = row["model_labels"]
    named = " and ".join(models) if len(models) <= MOST_NAMED else counted(len(models), "model")
    return f"{counted(row['bikes_of_all_models'], 'bike')} of {named}"


def _bikes_behind(row: dict[str, Any]) -> list[str]:
    others = row["bikes_of_all_models"] - (row["bikes"] if row["model_id"] else 0)
    other_models = row["models"] - (1 if row["model_id"] else 0)
    mean = (
        f"mean {signed(row['mean_pct'])} % ({wording.between(row['lower_pct'], row['upper_pct'])})"
    )
    from_others = f"{counted(others, 'bike')} of {counted(other_models, 'other model')}"
    if row["model_id"] is None:
        said = [f"No bike of this model had it: all is borrowed from {from_others}, {mean}."]
        if other_models == 1:
            said.append("One model does not tell how models differ: that is assumed.")
        return said
    said = [
        f"{counted(row['bikes'], 'bike')} of this model had it, in "
        f"{counted(row['jobs'], 'job')}: {signed(row['own_mean_pct'])} % on average."
    ]
    if row["borrowed_share"] is None:
        said.append(f"No other model had it, so nothing could be borrowed: {mean}.")
    else:
        share = wording.share(row["borrowed_share"])
        said.append(f"With {share} borrowed from {from_others}: {mean}.")
    return said


def _assumed(row: dict[str, Any]) -> str:
    return (
        f"One bike is taken to differ from the next by {number(row['between_bikes_sd_pct'], 1)} % "
        f"(1 SD); {wording.share(row['prior_share'])} of that is assumed, the rest measured. "
        f"A usual comparison here is good to {number(row['planned_sd_pct'], 1)} % (1 SD)."
    )


def _left_out(left_out: pl.DataFrame) -> list[str]:
    if left_out.is_empty():
        return []
    said = []
    for code, count in Counter(left_out["left_out_for"]).most_common():
        why = LEFT_OUT[code]
        if code == NOT_LIKE:
            reasons = left_out.filter(pl.col("left_out_for") == NOT_LIKE)["unlike_reason"]
            why += f" ({reasons.value_counts(sort=True)['unlike_reason'][0]})"
        said.append(f"{number(count)} {why}")
    return [f"Left out: {'; '.join(said)}."]
