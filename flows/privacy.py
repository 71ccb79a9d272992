"""Which columns of a file are private: positions, and what leads to a person.

A column is told by what it is: by words that mean nothing else in six languages, by texts that can
only be positions, and by two columns that move as a place does in degrees. A person may overrule
it either way. Nothing here returns a value of the file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import combinations, pairwise

import numpy as np
import polars as pl

from flows.readers.words import name_and_unit, plain_words

_PLACE = r"(gps|gnss|geo\w*|position|pos|vehicle|bike|start|end|wgs ?84|phone|device|raw|map)"
_DEGREES = r"(degrees?|deg|grad|gps|gnss|wgs ?84|raw|dd|ddmm|e ?7|coord\w*|pos\w*|n|s|e|w|rad)"
_WHOSE = (
    r"(owner|customer|client|rider|driver|pilot|operator|technician|tuner|kunden?|fahrer|besitzer|"
    r"halter|conducteur|pilote|proprietaire|pilota|conducente|proprietario|cliente|conductor|"
    r"piloto|bestuurder|rijder|klant|eigenaar)"
)

PRIVATE_WORDS: dict[str, tuple[str, ...]] = {
    "a position": (
        rf"({_PLACE} )*(lat|lon|lng|long)( {_DEGREES})*",
        r".*\b(latitude|longitude|latitud|latitudine|longitudine|latitudes|longitudes)\b.*",
        rf"({_PLACE} )*longitud( {_DEGREES})*",
        r".*(breitengrad|langengrad|breedtegraad|lengtegraad|szerokosc geo|dlugosc geo).*",
        rf"({_PLACE} )*(breite|lange|breedte|lengte)( {_DEGREES})*",
        r".*\b(easting|northing|geohash|mgrs|utm|geopoint|lat ?(lon|lng|long)|plus ?code)\b.*",
        r".*\b(nmea|gp(gga|rmc|gll)|gn(gga|rmc|gll))\b.*",
        r"(gps|gnss|vehicle|bike|car|phone|device|current|last)?( )?"
        r"(location|standort|emplacement|localisation|ubicacion|posizione gps|locatie)",
        r".*\b(coord(s|inates?)?|koordinaten?|coordonnees?|coordinate|coordenadas?|coordinaten)\b.*",
        r"(gps|gnss|vehicle|bike|car|phone|geo) ?(position|pos|positie|fix)( [xyz])?",
        r"(position|positie|posizione|posicion) (gps|gnss)|gps ?[xyz]",
    ),
    "part of a track: with the speed it draws the way": (
        r"(gps |gnss |baro(metric)? |phone |device )*"
        r"(altitude|elevation|altitud|altitudine|quota|hohe|hoogte|alt)( (m|ft|gps|msl|\w+ nn))*",
        r".*(meereshohe|hohe uber|height above|above sea).*",
        r"(gps |gnss |phone |device )*(heading|bearing|cap|rumbo|koers|kurs)( (deg|gps|true|mag))*",
        r"(gps|gnss|track) (course|angle|direction|track)( deg)?|course over ground|cog",
    ),
    "a name": (
        rf"{_WHOSE}( (id|name|no|nr|number|nom|nome|nombre|naam))?",
        rf"(name|nom|nome|nombre|naam|id) (of |du |de |del |des |van )*{_WHOSE}",
        r"(full |first |last |family |sur|vor|nach)?name|prenom|cognome|apellidos?|naam|nom|nome",
        r"kundenname|fahrername|nombre",
    ),
    "a number or address that leads to a person": (
        r".*\b(vin|fin|vehicle identification.*|chassis (number|no|nr)|frame (number|no|nr))\b.*",
        r".*(fahrgestellnummer|fahrgestell nr|rahmennummer|numero de (chassis|serie|bastidor)).*",
        r"(licen[cs]e |number |registration )(plate|number|no)( number)?|plate|registration",
        r".*(kennzeichen|immatriculation|matricula|kenteken|nummernschild).*|targa",
        r"serial|.*(serial (number|no|nr)|seriennummer|serienummer|numero di (serie|telaio)).*",
        r".*\b(imei|imsi|iccid|uuid|mac address|ip address|e ?mail|(tele)?phone number)\b.*",
        r"((home|street|customer|owner|postal) )?(address|adresse|indirizzo|direccion|adres)",
        r"phone|telephone|telefon|telefono|telefoon|(device|android|advertising) id|street|strasse",
    ),
}
"""What a column is → regular expressions on its whole name in plain words."""

_POSITION_TEXT = re.compile(
    r"(?:\$?G[PNLAB](?:GGA|RMC|GLL)\b"
    r"|(?:POINT|LINESTRING)\s*\("
    r"|[NSEWO]\s*\d{1,3}(?:[°\s]\s*\d|\.\d{3})"
    r"|\d{1,3}[°\s]\s*\d{1,2}[.,'′][\s\d.,'′\"″]*[NSEWO]$"
    r"|\d{1,3}[.,]\d{3,}[°\s]*[NSEWO]$"
    r"|[({\[]?\s*[+-]?\d{1,2}\.\d{4,}[\s,;/]+[+-]?\d{1,3}\.\d{4,}\s*[)}\]]?$)",
    re.IGNORECASE,
)
_PERSON_TEXT = re.compile(r"^\s*(?:[^@\s]+@[^@\s]+\.\w{2,}|[A-HJ-NPR-Z0-9]{17})\s*$")
"""An e-mail address; a vehicle identification number has 17 signs without I, O and Q (ISO 3779)."""

MOST_IN_PAIRS = 60
SHARE_OF_TEXTS = 0.5
_SCALES = ((1.0, 5), (1e-7, 0), (1e-6, 0), (0.01, 3))
"""Degrees; ten-millionths and millionths of one as whole numbers; degrees and minutes run together
(ddmm.mmmm): how a file's number becomes degrees, and the least decimals that such a file writes."""
MOST_SPAN_DEG, MOST_STEP_DEG, LEAST_SPAN_DEG = 8.0, 0.01, 5e-5
"""A ride spans less than 900 km, goes on by less than a kilometre from row to row, and comes
further than five metres."""
SMOOTH_RATIO = 0.8
"""Second over first differences. A place goes on as it went: below 1. Noise has √3, and a random
walk √2 (by hand, from the variances of differences of independent steps)."""


def private_by_name(name: str) -> str:
    """Return what a column is that is private by its name, "" where it is not.

    >>> private_by_name("GPS Latitude"), private_by_name("Throttle Position")
    ('a position', '')
    """
    words = {plain_words(name), plain_words(name_and_unit(name)[0].split(" #")[0])}
    for what, patterns in PRIVATE_WORDS.items():
        if any(re.fullmatch(pattern, said) for pattern in patterns for said in words):
            return what
    return ""


def private_by_values(frame: pl.DataFrame, named: set[str]) -> dict[str, str]:
    """Return the columns that are private by what stands in them."""
    found: dict[str, str] = {}
    places: dict[str, np.ndarray] = {}
    for series in frame.iter_columns():
        if series.dtype == pl.String:
            if what := _private_text(series):
                found[series.name] = what
        elif series.dtype.is_numeric() and series.name not in named:
            degrees = _as_degrees(series.cast(pl.Float64).to_numpy())
            if degrees is not None:
                places[series.name] = degrees
    for one, other in _pairs(list(places)):
        if _move_together(places[one], places[other]):
            found[one] = found[other] = "two columns that move as a place in degrees"
    return found


def _pairs(names: list[str]) -> Iterator[tuple[str, str]]:
    """Yield the pairs that may be a place; of very many columns those that stand side by side."""
    if len(names) <= MOST_IN_PAIRS:
        yield from combinations(names, 2)
    else:
        yield from pairwise(names)


def _private_text(series: pl.Series) -> str:
    some = series.drop_nulls().head(200).to_list()
    some = [text.strip() for text in some if text.strip()]
    if not some:
        return ""
    for what, pattern in (("a position", _POSITION_TEXT), ("what leads to a person", _PERSON_TEXT)):
        if sum(bool(pattern.match(text)) for text in some) > SHARE_OF_TEXTS * len(some):
            return what
    return ""


def _as_degrees(shown: np.ndarray) -> np.ndarray | None:
    """Return a column in degrees if it may be a latitude or longitude, NaN where it has nothing."""
    seen = shown[np.isfinite(shown) & (shown != 0.0)]
    if seen.size < 20:
        return None
    for factor, decimals in _SCALES:
        # Whole numbers are rough in degrees; with few decimals a number is any channel's.
        if factor == 1e-6 or factor == 1e-7:
            if np.abs(seen).max() < 1e6 or (seen != np.round(seen)).any():
                continue
        elif np.allclose(seen * 10 ** (decimals - 1), np.round(seen * 10 ** (decimals - 1)),
                         rtol=0, atol=1e-5):  # fmt: skip
            continue
        degrees = seen * factor
        if factor == 0.01:
            whole = np.trunc(degrees)
            if (np.abs(seen) < 100.0).all() or (np.abs(degrees - whole) >= 0.6).any():
                continue
            degrees = whole + (degrees - whole) / 0.6
        steps = np.abs(np.diff(degrees))
        if (
            np.abs(degrees).max() <= 180.0
            and (LEAST_SPAN_DEG if factor < 1.0 else 0.0) <= np.ptp(degrees) <= MOST_SPAN_DEG
            and np.quantile(steps, 0.99) <= MOST_STEP_DEG
        ):
            full = np.full(shown.size, np.nan)
            full[np.isfinite(shown) & (shown != 0.0)] = degrees
            return full
    return None


def _move_together(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether two columns are seen in the same rows and go on as a place does."""
    both = np.isfinite(one) & np.isfinite(other)
    if both.sum() < 20 or both.sum() < 0.9 * max(np.isfinite(one).sum(), np.isfinite(other).sum()):
        return False
    place = np.column_stack([one[both], other[both]])
    if np.abs(place).max(axis=0).min() > 90.0:
        return False  # one of the two is a latitude
    if (np.ptp(place, axis=0) < LEAST_SPAN_DEG).all():
        return bool((np.abs(place).min(axis=0) >= 1.0).all())  # the bike stood, as on a dyno
    moved = np.abs(np.diff(place, axis=0)).max(axis=1) > 0
    place = place[np.concatenate(([True], moved))]
    # A receiver repeats its place, and rounds it: only steps of many of its digits show a course.
    for stride in (1, 2, 4, 8, 16):
        some = place[::stride]
        if some.shape[0] < 12:
            return False
        if all(_is_smooth(some[:, axis]) for axis in (0, 1)):
            return True
    return False


def _is_smooth(values: np.ndarray) -> bool:
    steps = np.diff(values)
    if np.all(steps > 0) and np.std(steps) < 0.05 * np.mean(steps):
        return False  # a count or a clock
    first, second = np.sqrt(np.mean(steps**2)), np.sqrt(np.mean(np.diff(steps) ** 2))
    return bool(first > 0 and second < SMOOTH_RATIO * first)
