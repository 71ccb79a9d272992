"""Takes dropped files and a card to the inbox, the card last; guesses which file goes where.

What comes from a browser is not trusted: a name decides nothing but a name, inside one folder.
Nothing here draws.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import threading
import tomllib
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, NamedTuple

from dashboard.file_names import free_name, one_on_disk, safe_folder, safe_name
from dashboard.shop_words import claims_of, is_same_reference
from dashboard.who import refusal, who
from schemas.card import JobCard, read_card
from schemas.card_acts import card_acts
from schemas.card_files import in_number_order
from schemas.card_text import CARD_NAME
from schemas.toml_text import MistakesError
from warehouse.acts import Act, file_written
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

_NO_LOGS = {".ds_store", "thumbs.db", "desktop.ini"}
"""What systems leave in folders; intake passes over it."""

_WRITING = threading.Lock()

LONGEST_UPDATE_S = 3600.0
"""What was written while an update ran may not be in what it published."""


class Dropped(NamedTuple):
    """One file as it was dropped on the page."""

    key: str
    """Tells two files of one name apart."""
    name: str
    data: bytes | memoryview


class Stowed(NamedTuple):
    """What becomes of one dropped file, before anything is written."""

    dropped: Dropped
    name: str
    """Name in the job's folder."""
    state: Literal["new", "there already", "name taken", "left out"]
    said: str = ""
    """What a person should know of it."""
    proposed: str = ""
    """A free name where this one is taken."""


def stowing(
    dropped: Sequence[Dropped], folder: Path | None, new_names: Mapping[str, str] | None = None
) -> list[Stowed]:
    """Return what would become of each dropped file in a job's folder. Writes nothing."""
    standing = (
        {one_on_disk(path.name): path for path in sorted(folder.iterdir())}
        if folder is not None and folder.is_dir()
        else {}
    )
    planned: dict[str, Dropped] = {}
    found: list[Stowed] = []
    for one in dropped:
        name = safe_name((new_names or {}).get(one.key) or one.name)
        mark = one_on_disk(name)
        if why := _unwelcome(one.name, name):
            found.append(Stowed(one, name, "left out", why))
            continue
        taken = [path.name for path in standing.values()] + [s.name for s in found]
        if mark in standing:
            if _same_bytes(standing[mark], one.data):
                there = standing[mark].name
                found.append(Stowed(one, there, "there already", "lies in the folder already"))
            else:
                said = "another file of this name lies in the folder; nothing is overwritten"
                found.append(Stowed(one, name, "name taken", said, free_name(name, taken)))
        elif mark in planned:
            if planned[mark].data == one.data:
                said = f"the same file as {planned[mark].name}, dropped twice"
                found.append(Stowed(one, name, "left out", said))
            else:
                said = "two different files of this name were dropped"
                found.append(Stowed(one, name, "name taken", said, free_name(name, taken)))
        else:
            twin = next((p.name for p in planned.values() if p.data == one.data), None)
            said = [f"kept under the name {name}"] if name != one.name else []
            said += [f"byte for byte the same as {twin}: it will count once"] if twin else []
            planned[mark] = one
            found.append(Stowed(one, name, "new", "; ".join(said)))
    return found


def _unwelcome(raw: str, name: str) -> str:
    if raw.casefold() in _NO_LOGS:
        return "no log: the system's own file"
    if name.casefold().startswith(CARD_NAME):
        return "a job card: this page writes the card itself"
    if not raw.strip():
        return "has no name"
    return ""


def _same_bytes(path: Path, data: bytes | memoryview) -> bool:
    return path.is_file() and path.stat().st_size == len(data) and path.read_bytes() == data


class Held(NamedTuple):
    """A file that a stage may take: dropped just now, or in the folder already."""

    name: str
    size_bytes: int
    kind: str | None = None
    """pull or ride where its layout says so."""


class Places(NamedTuple):
    """The files of one stage."""

    pulls: list[str]
    rides: list[str]


_RIDE_WORDS = re.compile(r"ride|road|street|route|trip|fahrt|strasse|straße|cruise", re.IGNORECASE)
_PULL_WORDS = re.compile(r"pull|run|lauf|dyno|sweep|power", re.IGNORECASE)
_EARLY_WORDS = re.compile(r"before|stock|base|arriv|orig|serie|vorher|avant|prima", re.IGNORECASE)
_LATE_WORDS = re.compile(r"after|final|tuned|remap|nachher|apres|après|dopo", re.IGNORECASE)
_SMALL_BYTES = 200_000
"""A pull's text stays below it, a ride's is above (common practice, no source)."""
_PACKED = (".gz", ".parquet", ".mf4", ".mdf", ".xlsx", ".ods", ".xls")
_PACKED_TIMES = 4


def guessed_kind(file: Held) -> Literal["pull", "ride"]:
    """Return whether a file is a pull or a ride: by its layout, its name, or its size.

    >>> guessed_kind(Held("run_01.csv", 900_000)), guessed_kind(Held("log7.csv", 900_000))
    ('pull', 'ride')
    """
    if file.kind in ("pull", "ride"):
        return "ride" if file.kind == "ride" else "pull"
    if _RIDE_WORDS.search(file.name):
        return "ride"
    if _PULL_WORDS.search(file.name):
        return "pull"
    packed = file.name.casefold().endswith(_PACKED)
    size = file.size_bytes * (_PACKED_TIMES if packed else 1)
    return "ride" if size > _SMALL_BYTES else "pull"


def guessed_places(files: Sequence[Held], stages: int) -> list[Places]:
    """Return which files likely belong to which stage.

    Names decide: a number in them that counts the stages, gaps in their numbering, or words such
    as before and after. Where they leave it open, a file is under no stage: a person puts it.
    """
    ordered = sorted(files, key=lambda file: in_number_order(file.name))
    pulls = [file.name for file in ordered if guessed_kind(file) == "pull"]
    rides = [file.name for file in ordered if guessed_kind(file) == "ride"]
    places = [Places([], []) for _ in range(stages)]
    for number, group in enumerate(_told_apart(pulls, stages)):
        places[number].pulls.extend(group)
    groups = _told_apart(rides, stages)
    if groups:
        for number, group in enumerate(groups):
            places[number].rides.extend(group)
    elif rides and stages:
        # A bike is ridden once it is done.
        places[-1].rides.extend(rides)
    return places


def _told_apart(names: list[str], stages: int) -> list[list[str]]:
    """Return the names in so many groups, stage by stage, or none if they do not tell."""
    if not names or stages < 1:
        return []
    if stages == 1:
        return [names]
    shapes: dict[str, list[str]] = defaultdict(list)
    for name in names:
        shapes[re.sub(r"\d+", "0", name)].append(name)
    if len(shapes) == 1:
        return _by_number(names, stages)
    groups = list(shapes.values())
    ranks = [_rank(group[0]) for group in groups]
    if len(groups) == stages and len(set(ranks)) == stages:
        return [group for _, group in sorted(zip(ranks, groups, strict=True))]
    return []


def _rank(name: str) -> int:
    if _EARLY_WORDS.search(name):
        return -1
    return 1 if _LATE_WORDS.search(name) else 0


def _by_number(names: list[str], stages: int) -> list[list[str]]:
    """Group names that differ only in their numbers."""
    numbers = [re.findall(r"\d+", name) for name in names]
    places = range(len(numbers[0]))
    for at in places[:-1]:
        if len({row[at] for row in numbers}) == stages:
            return _grouped(names, [int(row[at]) for row in numbers])
    if not places:
        return []
    last = [int(row[-1]) for row in numbers]
    # 11, 12, 21, 22: the first digit counts the stages.
    lead = [number // 10 ** (len(str(number)) - 1) for number in last]
    if min(last) >= 10 and len({len(str(n)) for n in last}) == 1 and len(set(lead)) == stages:
        return _grouped(names, lead)
    gaps = [at for at in range(1, len(last)) if last[at] - last[at - 1] > 1]
    if len(gaps) == stages - 1:
        return [names[low:high] for low, high in zip([0, *gaps], [*gaps, len(names)], strict=True)]
    return []


def _grouped(names: list[str], marks: list[int]) -> list[list[str]]:
    found: dict[int, list[str]] = defaultdict(list)
    for name, mark in zip(names, marks, strict=True):
        found[mark].append(name)
    return [found[mark] for mark in sorted(found)]


class StandingCard(NamedTuple):
    """The card that lies in a job's folder now."""

    text: str
    sha256: str
    content: dict[str, Any] | None
    """None when it is not TOML at all."""
    mistakes: list[str]


def standing_card(inbox: Path, folder: str) -> StandingCard | None:
    """Return the card in a job's folder, right or wrong.

    Raises NotWrittenError if the name leads out of the inbox.
    """
    path = _inside(inbox, folder) / CARD_NAME
    if not path.is_file():
        return None
    data = path.read_bytes()
    sha = hashlib.sha256(data).hexdigest()
    text = data.decode("utf-8-sig", errors="replace")
    try:
        data.decode("utf-8-sig")
        read_card(text)
        mistakes = []
    except UnicodeDecodeError:
        mistakes = ["must be UTF-8 text"]
    except MistakesError as error:
        mistakes = error.mistakes
    return StandingCard(text, sha, _parsed(text), mistakes)


def _parsed(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError):
        return None


def cards_lying(
    inbox: Path, in_the_book: Collection[str], since: dt.datetime | None
) -> dict[str, JobCard | dict[str, Any]]:
    """Return the cards in the inbox that the published book does not hold yet."""
    seconds = since.timestamp() - LONGEST_UPDATE_S if since else 0.0
    held = set(in_the_book)
    found: dict[str, JobCard | dict[str, Any]] = {}
    for folder in sorted(inbox.iterdir()) if inbox.is_dir() else []:
        path = folder / CARD_NAME
        try:
            if folder.name in held and path.stat().st_mtime < seconds:
                continue
            text = path.read_text(encoding="utf-8-sig")
        except (OSError, ValueError):
            continue
        try:
            found[folder.name] = read_card(text)
        except MistakesError:
            found[folder.name] = _parsed(text) or {}
    return found


def claimed_elsewhere(
    cards: Mapping[str, JobCard | Mapping[str, Any]], folder: str, job: str, new_bike: str
) -> str:
    """Return why a card cannot stand beside another one that lies in the inbox."""
    for other, card in cards.items():
        if other == folder:
            continue
        its_job, its_bike = claims_of(card)
        if is_same_reference(its_job, job):
            return f"the card in folder {other}, not taken in yet, has job number {its_job} too"
        if new_bike and is_same_reference(its_bike, new_bike):
            return f"the card in folder {other}, not taken in yet, names its bike {its_bike} too"
    return ""


class NotWrittenError(ValueError):
    """Nothing was written over, and why."""


def must_be_allowed_to_add() -> None:
    """Raise NotWrittenError unless whoever is there may write into the inbox."""
    if said := refusal("add"):
        raise NotWrittenError(said)


def write_job(
    inbox: Path,
    folder: str,
    files: Sequence[Stowed],
    text: str,
    *,
    replaces: str | None = None,
    objection: Callable[[], str] = str,
) -> Path:
    """Write a job's files and then its card into the inbox.

    The card comes last: a job that was cut short is a folder without a card, which waits. Each
    file appears whole or not at all. Done again after a stop, it writes what is still missing.

    Raises NotWrittenError if the folder's name leads out of the inbox, another card or another file
    stands there, or `objection` says why not. Raises OSError if the disk does not take them.
    """
    must_be_allowed_to_add()
    # One at a time, so that nobody takes a name between the look whether it is free and the write.
    with _WRITING:
        target = _inside(inbox, folder)
        _may_write_card(target / CARD_NAME, replaces)
        for stowed in files:
            _may_write_file(target, stowed)
        if said := objection():
            raise NotWrittenError(said)
        target.mkdir(parents=True, exist_ok=True)
        for stowed in files:
            if stowed.state == "new" and not (target / stowed.name).exists():
                write_whole(target / stowed.name, bytes(stowed.dropped.data))
        _may_write_card(target / CARD_NAME, replaces)
        before = (target / CARD_NAME).read_bytes() if replaces else None
        write_whole(target / CARD_NAME, text)
        old = before.decode("utf-8-sig", errors="replace") if before is not None else None
        about, person = f"inbox/{folder}/{CARD_NAME}", who()
        acts = [Act(code, about, person, *why) for code, *why in card_acts(old, text)]
        file_written(ShopFolder(inbox.parent), acts, before, text.encode())
    return target


def job_folder(inbox: Path, job: str) -> str:
    """Return the name of the folder for a job, that of a standing folder if it is the same one."""
    name = safe_folder(job)
    standing = [path.name for path in inbox.iterdir()] if inbox.is_dir() else []
    if name in standing:
        return name
    return next((one for one in standing if one_on_disk(one) == one_on_disk(name)), name)


def folder_in_the_way(folder: Path, files: Sequence[Stowed]) -> str:
    """Return why a new job cannot have its folder, "" if it can."""
    if not folder.exists():
        return ""
    if not folder.is_dir():
        return f"A file named {folder.name} lies in the inbox. Give this job another number."
    if (folder / CARD_NAME).exists():
        return (
            f"Folder {folder.name} holds a card already. Give this job another number, or correct "
            "that card."
        )
    ours = {one_on_disk(stowed.name) for stowed in files if stowed.state == "there already"}
    others = [path.name for path in folder.iterdir() if not path.name.startswith(".")]
    if {one_on_disk(name) for name in others} - ours:
        return (
            f"Folder {folder.name} lies in the inbox and holds files without a card. Choose it "
            "above, or give this job another number."
        )
    return ""


def _inside(inbox: Path, folder: str) -> Path:
    """Return a job's folder, which lies in the inbox and nowhere else."""
    path = inbox / folder
    is_new = safe_folder(folder) == folder
    if not is_new and ("\x00" in folder or folder in ("", ".") or not path.is_dir()):
        raise NotWrittenError(f"{folder!r} is no folder of this inbox")
    # A link, or dots in the name, would lead out of the inbox.
    meant = inbox.resolve() / folder
    if one_on_disk(path.resolve().as_posix()) != one_on_disk(meant.as_posix()):
        raise NotWrittenError(f"{folder!r} is no folder of this inbox")
    return path


def _may_write_card(path: Path, replaces: str | None) -> None:
    if not path.exists():
        if replaces is not None:
            raise NotWrittenError(
                "the card is gone from the folder since you opened it; open the job again"
            )
        return
    if replaces is None:
        raise NotWrittenError(
            f"folder {path.parent.name} holds a card already; give this job another number, or "
            "correct that card"
        )
    if hashlib.sha256(path.read_bytes()).hexdigest() != replaces:
        raise NotWrittenError(
            "somebody else changed this card since you opened it; nothing was written. Open the "
            "job again and make your changes once more"
        )


def _may_write_file(folder: Path, stowed: Stowed) -> None:
    if stowed.state == "new" and safe_name(stowed.name) != stowed.name:
        raise NotWrittenError(f"{stowed.name!r} is no name for a file here")
    path = folder / stowed.name
    came_meanwhile = path.exists() and not _same_bytes(path, stowed.dropped.data)
    if stowed.state == "name taken" or (stowed.state == "new" and came_meanwhile):
        raise NotWrittenError(
            f"another file named {stowed.name} lies in the folder; nothing was written. Give the "
            "new one another name"
        )
