"""The check that refuses a physically impossible number, in the words that all metrics use."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike


def require(
    name: str,
    value: ArrayLike,
    *,
    above: ArrayLike | None = None,
    at_least: ArrayLike | None = None,
    below: ArrayLike | None = None,
    at_most: ArrayLike | None = None,
    unit: str = "",
) -> None:
    """Refuse a value that breaks a bound, naming argument, rule, unit and value.

    Parameters
    ----------
    name : str. The argument's name, as the caller's signature spells it.
    value : float or ndarray. What was given. NaN means "not seen" and passes.
    above, at_least, below, at_most : float or ndarray, optional
        Bounds, each a number or an array that broadcasts against `value`.
    unit : str, default "". Unit of value and bounds, for the message.

    Raises
    ------
    ValueError. If any element breaks any bound; the message shows the first that does.

    Notes
    -----
    NaN, in a value or in a bound, never breaks a rule.

    Examples
    --------
    >>> require("temperature_k", 293.15, above=0.0, unit="K")
    >>> require("temperature_k", [293.15, -5.0], above=0.0, unit="K")
    Traceback (most recent call last):
        ...
    ValueError: temperature_k must be above 0 K, got -5
    """
    if isinstance(value, (float, int)) and _holds(value, above, at_least, below, at_most):
        return
    values = np.asarray(value, dtype=float)
    for bound, breaks, words in (
        (above, np.less_equal, "above"),
        (at_least, np.less, "at least"),
        (below, np.greater_equal, "below"),
        (at_most, np.greater, "at most"),
    ):
        if bound is None:
            continue
        bounds = np.asarray(bound, dtype=float)
        broken = np.asarray(breaks(values, bounds))
        if broken.any():
            first = np.unravel_index(np.argmax(broken), broken.shape)
            found = np.broadcast_to(values, broken.shape)[first]
            limit = np.broadcast_to(bounds, broken.shape)[first]
            rule = f"{words} {limit:.10g} {unit}".rstrip()
            raise ValueError(f"{name} must be {rule}, got {found:.10g}")


def _holds(
    value: float,
    above: Any,
    at_least: Any,
    below: Any,
    at_most: Any,
) -> bool:
    """Whether a number keeps bounds that are numbers: told without arrays, for each pull asks."""
    for bound in (above, at_least, below, at_most):
        if bound is not None and not isinstance(bound, (float, int)):
            return False
    return not (
        (above is not None and value <= above)
        or (at_least is not None and value < at_least)
        or (below is not None and value >= below)
        or (at_most is not None and value > at_most)
    )
