"""What a shop must hold, told in plain Python by what people did to it.

Written from DEVELOPERS.md and from what is promised, not from the code: of two claims the folder
that came first is right, what was taken in stays, what waited is withdrawn with its file, the
newest card without a slip is in force.
"""

from dataclasses import dataclass, field
from hashlib import sha256
from typing import NamedTuple

from tests.conftest import card_text, pull_text, ride_text, stage_text

CARD, NOTES = "card.toml", "_notes"
ROWS = 60
Place = tuple[str, str]


class Said(NamedTuple):
    """What a card says: its job, the files of its stages, and the pull that is set aside."""

    job: int
    stages: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]
    aside: str = ""


@dataclass(frozen=True)
class Content:
    """Bytes, and what a person would say of them."""

    data: bytes
    kind: str
    """A "pull" or "ride" can be read; "refused", "card", "note" and "slip" are what they say."""
    kept: int = 0
    rejected: int = 0
    said: Said | None = None
    about: int | None = None
    """The job that a note is about."""

    @property
    def sha(self) -> str:
        """Return the name that the archive gives these bytes."""
        return sha256(self.data).hexdigest()


# What people put into the inbox


def log(kind: str, number: int) -> Content:
    """Return a log: whole, with a bad row, torn in a line, empty, no text at all, or a ride."""
    text = pull_text(1.0 + number / 100, rows=ROWS - 8)
    if kind == "bad row":
        return Content(text.replace("3000,4.0", "3000,four", 1).encode(), "pull", ROWS - 1, 1)
    if kind == "torn":
        cut = text[: text.index("\n", len(text) // 2) - 6]
        rows = cut.count("\n") - text[: text.index("seconds,")].count("\n")
        return Content(cut.encode(), "pull", rows - 1, 1)
    if kind == "empty":
        return Content(b"", "refused")
    if kind == "junk":
        return Content(bytes(range(256)) * (number + 1), "refused")
    if kind == "ride":
        return Content(ride_text(0.9 + number / 100, seconds=ROWS // 10).encode(), "ride", ROWS)
    return Content(text.encode(), "pull", ROWS)


def card(said: Said) -> Content:
    """Return a card that says so: setting aside what is no pull of it is a slip."""
    stages = [
        stage_text(f"stage {number}", pulls, rides)
        for number, (pulls, rides) in enumerate(said.stages, start=1)
    ]
    if said.aside:
        stages.append(f'[[set_aside]]\nfile = "{said.aside}"\nreason = "strap slipped"\nby = "mk"')
    text = card_text(f"J-{said.job}", stages, bike=f"B-{said.job}")
    pulls = {name for pulls, _ in said.stages for name in pulls}
    is_right = not said.aside or bool(pulls & {"*.csv", said.aside})
    return Content(text.encode(), "card" if is_right else "slip", said=said)


def slip(number: int) -> Content:
    """Return a card or note with a mistake in it."""
    return Content(f"job = {number}\n".encode(), "slip")


def note(job: int, number: int) -> Content:
    """Return a note about a job."""
    text = f'job = "J-{job}"\non = 2025-03-1{number}\nby = "mk"\ntext = "the belt slips"\n'
    return Content(text.encode(), "note", about=job)


# The shop


class Lying(NamedTuple):
    """A file in the inbox."""

    content: Content
    modified_ns: int


class Event(NamedTuple):
    """A line that the ledger must get."""

    folder: str
    name: str
    sha: str
    is_taken_out: bool


@dataclass
class Model:
    """The inbox, what came of it in which order, what can be read, and what readers were shown."""

    inbox: dict[Place, Lying] = field(default_factory=dict)
    known: dict[Place, Lying] = field(default_factory=dict)
    absent: set[Place] = field(default_factory=set)
    versions: dict[Place, list[Content]] = field(default_factory=dict)
    order: dict[str, int] = field(default_factory=dict)
    contents: dict[str, Content] = field(default_factory=dict)
    """All that ever came, by hash: the archive."""
    lines: list[Event] = field(default_factory=list)
    read: set[str] = field(default_factory=set)
    layouts: set[str] = field(default_factory=lambda: {"pull"})
    stage_of: dict[str, str] = field(default_factory=dict)
    aside: dict[str, bool] = field(default_factory=dict)
    accepted: dict[int, str] = field(default_factory=dict)

    def awaited(self, growing: Place | None = None) -> list[Event]:
        """Return the lines that the next intake must write, in their order."""
        if not self.inbox:
            return []  # a disk that is not there
        came = [
            Event(*place, lying.content.sha, False)
            for place, lying in sorted(self.inbox.items())
            if place != growing and (place in self.absent or not self._is_known(place, lying))
        ]
        gone = [
            Event(*place, self.known[place].content.sha, True)
            for place in sorted(self.known.keys() - self.inbox.keys() - self.absent)
        ]
        return came + gone

    def _is_known(self, place: Place, lying: Lying) -> bool:
        """Whether a file is as it was when it came, for all its other time."""
        return place in self.known and self.known[place].content == lying.content

    def enter(self, events: list[Event]) -> None:
        """Take lines of the ledger for written."""
        for event in events:
            self.lines.append(event)
            place = event.folder, event.name
            if event.is_taken_out:
                self.absent.add(place)
                continue
            lying = self.inbox[place]
            self.known[place] = lying
            self.absent.discard(place)
            self.versions.setdefault(place, []).append(lying.content)
            self.contents[event.sha] = lying.content
            self.order.setdefault(event.folder, len(self.lines))

    def read_all(self) -> None:
        """Read whatever the taught layouts can read."""
        self.read = {sha for sha, one in self.contents.items() if one.kind in self.layouts}

    def states(self) -> dict[Place, str]:
        """Return where each file stands, and note whose stage holds which bytes."""
        found: dict[Place, str] = {}
        self.stage_of, self.aside, self.accepted = {}, {}, {}
        owner: dict[str, str] = {}
        for folder in sorted(self.order, key=self.order.__getitem__):
            if folder != NOTES:
                found |= self._folder(folder, owner)
        for place, lying in self.known.items():
            if place[0] == NOTES:
                state = "refused" if lying.content.kind == "slip" else "waiting"
                if lying.content.about in self.accepted:
                    state = "note"
                found[place] = state
        for place in self.absent & found.keys():
            if found[place] not in ("taken in", "card", "note"):
                found[place] = "withdrawn" if place[1] != CARD else found[place]
        return found

    def _folder(self, folder: str, owner: dict[str, str]) -> dict[Place, str]:
        files = {
            name: lying.content
            for (where, name), lying in self.known.items()
            if where == folder and name != CARD
        }
        valid = [one.said for one in self.versions.get((folder, CARD), []) if one.kind == "card"]
        said = valid[-1] if valid else None
        is_refused = said is not None and said.job in self.accepted
        found: dict[str, str] = {}
        if said is not None and not is_refused:
            self.accepted[said.job] = folder
            found = self._placed(folder, said, files, owner)
        for name, content in files.items():
            is_own = owner.get(content.sha) == folder
            rest = "duplicate" if is_own and content.sha in self.read else "waiting"
            found.setdefault(name, "refused" if content.kind == "refused" else rest)
        if (folder, CARD) in self.known:
            is_slip = self.known[folder, CARD].content.kind == "slip"
            found[CARD] = "refused" if is_slip or is_refused else "card"
        return {(folder, name): state for name, state in found.items()}

    def _placed(
        self, folder: str, said: Said, files: dict[str, Content], owner: dict[str, str]
    ) -> dict[str, str]:
        found: dict[str, str] = {}
        there = [n for n in files if (folder, n) not in self.absent or files[n].sha in self.read]
        aside = files[said.aside].sha if said.aside in files else ""
        for number, (pulls, rides) in enumerate(said.stages, start=1):
            for kind, wanted in (*(("pull", n) for n in pulls), *(("ride", n) for n in rides)):
                names = [n for n in sorted(there) if n not in found and wanted in ("*.csv", n)]
                if not names and wanted != "*.csv" and wanted not in found:
                    found[wanted] = "missing"
                for name in names:
                    content = files[name]
                    if content.sha not in self.read:
                        found[name] = "refused" if content.kind == "refused" else "waiting"
                    elif content.kind != kind:
                        found[name] = "refused"
                    elif content.sha in owner:
                        found[name] = "duplicate"
                    else:
                        found[name] = "taken in"
                        owner[content.sha] = folder
                        self.stage_of[content.sha] = f"J-{said.job}/{number}"
                        self.aside[content.sha] = content.sha == aside
        if said.aside and said.aside not in {*found, *files}:
            found[said.aside] = "missing"
        return found
