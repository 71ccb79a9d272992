"""Words and numbers as files write them: names with units, spellings of units, marks in numbers."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from functools import cache

import numpy as np
import polars as pl

from schemas.units import known_units

_SPELLINGS = {
    "rpm": "rpm r/min rev/min u/min umin min-1 min^-1 min⁻¹ 1/min upm tr/min giri/min ot/min "
    "obr/min",
    "s": "s sec secs second seconds sek sekunden secondes secondi",
    "us": "us µs μs microseconds",
    "ms": "ms msec millisec milliseconds",
    "min": "minutes",
    "W": "w watt watts",
    "kW": "kw kilowatt kilowatts",
    "PS": "ps cv ch pk hk dinps psdin dincv metrichp hpmetric metrichorsepower hpm",
    "hp": "hp bhp whp rwhp horsepower saehp hpsae hpi imperialhp",
    "Nm": "nm n.m n·m n*m newtonmetre newtonmeter newtonmetres newtonmeters",
    "lbf*ft": "lbft lb-ft lb.ft ft-lb ft.lb ftlb ftlbs lbf*ft lbf.ft lbs-ft ft-lbs lb*ft lbf-ft "
    "lbfft ftlbf ft-lbf ft*lbf ft.lbf lbsft poundfeet poundfoot footpound footpounds",
    "kgf*m": "kgm mkg kgf*m kgf.m kg.m kgfm mkgf mkp kpm",
    "m/s": "m/s mps m/sec ms-1 m·s-1 m.s-1",
    "km/h": "km/h kph kmh km/hr kmph kilometresperhour kilometersperhour",
    "mph": "mph mi/h mi/hr miles/h miles/hr milesperhour",
    "degC": "°c degc ºc ˚c ℃ celsius c degreesc degreescelsius degcelsius gradc",
    "degF": "°f degf ºf ˚f ℉ fahrenheit f degreesf degreesfahrenheit degfahrenheit gradf",
    "K": "k kelvin",
    "Pa": "pa",
    "hPa": "hpa",
    "mbar": "mbar mb",
    "kPa": "kpa kpaa kpaabs kilopascal",
    "bar": "bar bara barabs",
    "kgf/cm2": "kgf/cm2 kgf/cm² kg/cm2 kg/cm²",
    "psi": "psi psia psiabs lb/in2 lb/in² lbf/in2 lbf/in²",
    "mmHg": "mmhg torr",
    "inHg": 'inhg "hg inchhg incheshg inchesofmercury',
    "V": "v volt volts",
    "mV": "mv millivolt",
    "%": "% pct percent prozent %rh",
    "deg": "° deg degree degrees °ca °btdc",
    "lambda": "lambda λ",
}
"""Our word → how files write it, whatever the case and without blanks, points and dashes."""
_LITTLE_MARKS = str.maketrans("", "", ".·*-()")

_OTHER_QUANTITIES: tuple[str, ...] = (
    "lb", "lbs", "pound", "pounds", "kg", "gram", "grams", "g", "t", "ton", "oz", "mg", "n", "kn",
    "m", "km", "mi", "mile", "miles", "ft", "feet", "mm", "cm", "in", "inch", "yd", "a", "ma",
    "amp", "amps", "hz", "khz", "ohm", "ω", "kω", "j", "kj", "mj", "kwh", "wh", "m/s2", "m/s^2",
    "m/s²", "ft/s2", "km/h/s", "l", "ml", "cc", "cm3", "ccm", "gal", "l/h", "l/100km", "l/min",
    "lph", "gph", "mpg", "km/l", "cc/min", "kg/h", "g/s", "g/min", "lb/min", "lb/h", "mg/s",
    "mg/hub", "mg/stk", "mg/str", "deg/s", "°/s", "rad", "rad/s", "g/km", "bit", "bits", "count",
    "counts", "steps", "bytes", "kb", "db", "dbm", "lx", "ns",
)  # fmt: skip
"""Units, as files write them, of what no channel is: weight, length, flow, current and so on."""
_SIGNS_TOO = ("a", "t", "n", "m", "in", "j")
"""Of these, what in round brackets behind a name is as often a mark of it: "Lambda (a)"."""
MOST_ODD = 0.1
_NOTHING = ("n/a", "na", "-", "--", "---", "null", "none", "#n/a", "nil", "n.a.", "*")
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_BLANKS = "[ \u00a0\u202f\u2009]"


@cache
def _by_spelling() -> dict[str, str]:
    found = {word.lower(): word for word in reversed(known_units()) if word not in ("", "1")}
    for word, spellings in _SPELLINGS.items():
        found.update(dict.fromkeys(spellings.split(), word))
    return found


def known_unit(text: str) -> str | None:
    """Return our word for a unit as a file writes it, with its little marks or without.

    >>> known_unit("U/min"), known_unit("[hPa]"), known_unit("furlong")
    ('rpm', 'hPa', None)
    """
    plain = text.strip().strip("[](){}").strip()
    if plain in known_units() and plain not in ("", "1"):
        return plain
    short = "".join(plain.lower().split())
    return _by_spelling().get(short) or _by_spelling().get(short.translate(_LITTLE_MARKS))


def other_unit(text: str) -> str | None:
    """Return a unit that measures what no channel is, None if the text is not such a unit.

    >>> other_unit("[lb]"), other_unit("kg/h"), other_unit("km/h")
    ('lb', 'kg/h', None)
    """
    plain = text.strip().strip("[](){}").strip()
    return plain if "".join(plain.lower().split()) in _OTHER_QUANTITIES else None


def plain_words(text: str) -> str:
    """Return a header cell as small letters without accents, one blank between words.

    >>> plain_words("Öffnung_%"), plain_words("engineSpeed")
    ('offnung pct', 'engine speed')
    """
    text = (
        re.sub(r"(?<=[a-z]{2})(?=[A-Z][a-z])", " ", text).replace("λ", "lambda").replace("ß", "ss")
    )
    text = text.replace("ł", "l").replace("%", " pct ").replace("°", " ")
    text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return " ".join(re.sub(r"[^a-z0-9#]+", " ", text).split())


_BRACKET = re.compile(r"[\[\](){}<>]")
_DIVIDER = re.compile("[,;]")


def is_unit_word(cell: str) -> bool:
    """Whether a cell is what a row of units is made of."""
    return (
        known_unit(cell) is not None
        # A letter alone is as often a name: t for time, n for turns.
        or (len(cell) > 1 and other_unit(cell) is not None)
        or cell in ("-", "–", "—", "1", "[]", "()")
        or bool(re.fullmatch(r"[\[({<][^\[\](){}<>]{0,12}[\])}>]", cell))
    )


def name_and_unit(cell: str) -> tuple[str, str]:
    """Return a header cell without its unit, and the unit as it is written, "" if there is none.

    >>> name_and_unit("Speed [km/h]"), name_and_unit("Lambda (filtered)")
    (('Speed', 'km/h'), ('Lambda (filtered)', ''))
    """
    text = cell.strip()
    # By hand: patterns with blanks on both sides of a lazy name take the third power of its length.
    opened = max(map(text.rfind, "[({<"))
    if opened > 0 and text[-1] in "])}>" and not _BRACKET.search(text, opened + 1, len(text) - 1):
        name, unit = text[:opened].strip(), text[opened + 1 : -1].strip()
        if unit in ("-", "1") or known_unit(unit):
            return name, unit
        if other_unit(unit) and unit.lower() not in _SIGNS_TOO:
            return name, unit
        if text.endswith("]"):
            return name, unit
    last = text.split()[-1] if text else ""
    before = text[: len(text) - len(last)].rstrip()
    if len(before) > 1 and before[-1] in ",;":
        name, unit = before[:-1].strip(), last
    else:
        mark = _DIVIDER.search(text, max(1, len(text) - len(last)))
        name, unit = (text[: mark.start()].strip(), text[mark.end() :]) if mark else (text, "")
    if unit and known_unit(unit) is not None:
        return name, unit
    return text, ""


def number(cell: str, decimal: str = ".", thousands: str = "") -> float | None:
    """Return one cell as a number.

    >>> number("1.234,5", decimal=",", thousands="."), number("1.234", decimal=",")
    (1234.5, None)
    """
    values, odd, _ = numbers(
        pl.Series("cell", [cell]), decimal=decimal, thousands=thousands, missing=[]
    )
    return None if odd[0] or not np.isfinite(values[0]) else float(values[0])


def numbers(
    cells: pl.Series, *, decimal: str, thousands: str, missing: list[str]
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Return a column of cells as numbers."""
    if cells.dtype.is_numeric() or cells.dtype == pl.Boolean:
        shown = cells.cast(pl.Float64).to_numpy()
        return shown, np.isinf(shown), []
    if cells.dtype != pl.String:
        text = cells.cast(pl.String)
        return np.full(cells.len(), np.nan), text.is_not_null().to_numpy(), []
    text = cells.str.strip_chars(" \t\u00a0\u202f\ufeff").str.replace("^[−–]", "-")
    nothing = (
        text.is_null()
        | (text == "")
        | text.str.to_lowercase().is_in(["nan"])
        | text.is_in([word.strip() for word in missing])
    ).fill_null(value=True)
    text = text.set(nothing, None)
    plain = _without_marks(text, decimal, thousands)
    whole = plain.str.contains(f"^{_NUMBER}$").fill_null(value=False)
    units: list[str] = []
    if not (whole | nothing).all():
        # "12.5 kW": the unit behind the number is told, the number counts.
        parts = text.str.extract_groups(r"^([+-]?[\d.,'\u00a0\u202f ]*\d)\s*([^\d\s,.'+-].*)$")
        front, unit = parts.struct.field("1"), parts.struct.field("2").str.strip_chars()
        is_unit = pl.Series(
            [known_unit(word) is not None if word else False for word in unit.to_list()]
        )
        loose = _without_marks(front, decimal, thousands)
        glued = is_unit & loose.str.contains(f"^{_NUMBER}$").fill_null(value=False) & ~whole
        units = sorted(set(unit.filter(glued).to_list()))
        plain = plain.zip_with(~glued, loose)
        whole |= glued
    values = plain.set(~whole, None).cast(pl.Float64, strict=False)
    infinite = values.is_infinite().fill_null(value=False)
    odd = (~nothing & (~whole | infinite | values.is_null())).to_numpy()
    return np.where(odd, np.nan, values.to_numpy()), odd, units


def nothing_words(columns: Iterable[Iterable[str]]) -> list[str]:
    """Return the words among cells that say there is no value, as they are written."""
    return sorted({cell for cells in columns for cell in set(cells) if cell.lower() in _NOTHING})


def mostly_numbers(cells: pl.Series, decimal: str, thousands: str, missing: list[str]) -> pl.Series:
    """Return a column of texts as numbers where at most one cell in ten is none, else as it is."""
    values, odd, _ = numbers(cells, decimal=decimal, thousands=thousands, missing=missing)
    if odd.mean() <= MOST_ODD and np.isfinite(values).any():
        return pl.Series(cells.name, values, nan_to_null=True)
    return cells


def _without_marks(text: pl.Series, decimal: str, thousands: str) -> pl.Series:
    """Return numbers with a point and no other mark; null where marks stand wrongly."""
    if thousands:
        mark = _BLANKS if thousands == " " else re.escape(thousands)
        point = re.escape(decimal)
        grouped = text.str.contains(rf"^[+-]?\d{{1,3}}(?:{mark}\d{{3}})+(?:{point}\d*)?$")
        has_mark = text.str.contains(mark)
        wrong = (has_mark & ~grouped).fill_null(value=False)
        text = text.set(wrong, None).str.replace_all(mark, "")
    if decimal == ",":
        text = text.set(text.str.contains(".", literal=True).fill_null(value=False), None)
        text = text.str.replace(",", ".", literal=True)
    return text
