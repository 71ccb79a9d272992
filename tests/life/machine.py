"""A machine that lives a shop's life: people's acts and accidents, held against a model."""

import atexit
import contextlib
import copy
import datetime as dt
import functools
import multiprocessing
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import duckdb
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from flows import apart
from flows.backup import back_up
from flows.restore import restore
from flows.steps import archive
from flows.steps.progress import quietly
from tests.conftest import NOW, ODD, SETTINGS
from tests.life import house, promises
from tests.life.model import (
    CARD,
    NOTES,
    Content,
    Event,
    Lying,
    Model,
    Place,
    Said,
    card,
    log,
    note,
    slip,
)
from tests.studies.kill_study import Points, watch
from warehouse import archived, store
from warehouse.shop import ShopFolder
from warehouse.snapshot import current

JOBS = ("job 1", "job 2", "job 3")
NAMES = ("a.csv", "b.csv", "ride.csv")
SHAPES = (
    ((("*.csv",), ()),),
    ((("a.csv",), ("ride.csv",)),),
    ((("b.csv", "a.csv"), ()),),
    ((("a.csv",), ()), (("b.csv",), ("ride.csv",))),
)
KINDS = ("pull", "pull", "pull", "ride", "bad row", "torn", "empty", "junk")
BAD = ("empty", "junk", "torn", "bad row")
BEGINNINGS = ("new", "old", "taught")
ASIDE = st.sampled_from(["", "", "a.csv", "b.csv"])
WORKS = st.sampled_from(["take in", "take in", "publish"])
ANCHOR = ("job 0", "kept.csv")
"""Always in the inbox: one without any file is taken for a disk that is not there."""
MOST_UPDATES = 3
"""Of one history: all else costs nearly nothing."""
PACKING_S = 60.0
"""Enough for all: how far it comes must not hang on the machine."""
POINTS = 56
"""An update that publishes passes some fifty points at which it can be stopped."""


class Enough(BaseException):
    """So many histories were lived as were wanted; Hypothesis does not count those it cut short."""


class Life(RuleBasedStateMachine):
    """One shop, from its first file on."""

    lived = acts = all_updates = wanted = 0

    def __init__(self) -> None:
        super().__init__()
        self.place = Path(tempfile.mkdtemp(prefix="life-", dir=MEMORY))
        self.model = Model()
        self.tick = self.setting = self.updates = self.light = 0
        self.now = NOW
        self.growing: Place | None = None
        self.arriving: Place | None = None
        self.published: list[list[tuple[str, ...]]] | None = None
        self.readers: list[tuple[duckdb.DuckDBPyConnection, list[tuple[str, ...]]]] = []
        self.entered: list[Event] = []
        self.is_calm = True
        self.is_torn = False
        type(self).lived += 1

    # The shop's beginning

    @initialize(how=st.sampled_from(BEGINNINGS))
    def begin(self, how: str) -> None:
        """Begin with an empty shop, or with one that has two jobs and is published."""
        if type(self).lived > type(self).wanted:
            raise Enough
        made, model, published = beginning(how)
        self.folder = ShopFolder(Path(shutil.copytree(made, self.place / "shop")))
        self.model, self.published = copy.deepcopy(model), published
        self.tick = len(model.inbox)

    # What people do

    @rule(job=st.sampled_from(JOBS), name=st.sampled_from(NAMES), kind=st.sampled_from(KINDS),
          number=st.integers(0, 3))  # fmt: skip
    def drop(self, job: str, name: str, kind: str, number: int) -> None:
        """Put a log into a job's folder, perhaps over another."""
        self.put((job, name), log(kind, number))

    @rule(job=st.sampled_from(JOBS), number=st.sampled_from([1, 1, 1, 2, 3]),
          shape=st.sampled_from(SHAPES), aside=ASIDE)  # fmt: skip
    def write_card(self, job: str, number: int, shape: tuple, aside: str) -> None:
        """Write or correct a card: its number is the folder's, or another's by mistake."""
        own = (int(job[-1]) + number - 2) % 3 + 1
        self.put((job, CARD), card(Said(own, shape, aside)))

    @rule(job=st.sampled_from(JOBS), bad=st.sampled_from(BAD), number=st.integers(0, 3))
    def empty_a_logger(self, job: str, bad: str, number: int) -> None:
        """Put in what a logger held: two good logs, and a bad one between them."""
        self.put((job, "a.csv"), log("pull", number))
        self.put((job, "b.csv"), log(bad, number))
        self.put((job, "ride.csv"), log("ride", number))

    @precondition(lambda self: any(job in self.cards() for job in JOBS))
    @rule(data=st.data(), shape=st.sampled_from(SHAPES))
    def correct_a_card_by_a_slow_clock(self, data: st.DataObject, shape: tuple) -> None:
        """Correct a card that counts, on a machine whose clock went back since it was written."""
        job = data.draw(st.sampled_from(sorted(self.cards())))
        self.turn_the_clock_back(1)
        self.put((job, CARD), card(self.cards()[job]._replace(stages=shape, aside="")))

    @rule(job=st.sampled_from(JOBS), number=st.integers(1, 2))
    def write_card_with_a_slip(self, job: str, number: int) -> None:
        """Correct a card and make a mistake."""
        self.put((job, CARD), slip(number))

    @rule(name=st.sampled_from(["one.toml", "two.toml"]), job=st.integers(1, 3),
          number=st.integers(1, 2), is_slip=st.booleans())  # fmt: skip
    def write_note(self, name: str, job: int, number: int, is_slip: bool) -> None:
        """Note something on a job."""
        self.put((NOTES, name), slip(number) if is_slip else note(job, number))

    @precondition(lambda self: len(self.model.inbox) > 1)
    @rule(data=st.data(), job=st.sampled_from(JOBS), name=st.sampled_from(NAMES))
    def double_or_rename(self, data: st.DataObject, job: str, name: str) -> None:
        """Copy a log to another place, or move it there."""
        logs = [p for p in self.some() if promises.is_log(p)]
        if logs:
            place = data.draw(st.sampled_from(logs))
            is_moved = data.draw(st.booleans()) and place != (job, name)
            self.put((job, name), self.model.inbox[place].content)
            if is_moved:
                self.take_away(place)

    @precondition(lambda self: len(self.model.inbox) > 1)
    @rule(data=st.data())
    def take_out(self, data: st.DataObject) -> None:
        """Take a file out of the inbox."""
        self.take_away(data.draw(st.sampled_from(self.some())))

    @precondition(lambda self: len(self.model.inbox) > 1)
    @rule(data=st.data())
    def touch(self, data: st.DataObject) -> None:
        """Write a file again as it was."""
        place = data.draw(st.sampled_from(self.some()))
        self.put(place, self.model.inbox[place].content)

    @precondition(lambda self: self.growing is None)
    @rule(job=st.sampled_from(JOBS), name=st.sampled_from(NAMES), number=st.integers(0, 3))
    def begin_to_write(self, job: str, name: str, number: int) -> None:
        """Write half a log; the rest comes while the next intake lets files rest."""
        half = log("torn", number)
        self.put((job, name), half)
        self.growing = (job, name)

    @precondition(lambda self: "ride" not in self.model.layouts)
    @rule()
    def teach(self) -> None:
        """Teach the layout of the rides."""
        shutil.copy(ODD / "layouts" / "plain-ride.toml", self.folder.layouts)
        self.model.layouts.add("ride")
        self.is_calm = False
        self.light += 1

    @rule(value=st.integers(1, 3))
    def change_a_setting(self, value: int) -> None:
        """Change a setting."""
        text = SETTINGS + f"\n[figures]\nbandwidth_rpm = {170 + value}.0\n"
        self.folder.settings.write_text(text, encoding="utf-8")
        self.setting, self.is_calm = value, False
        self.light += 1

    @rule(days=st.integers(1, 700))
    def turn_the_clock_back(self, days: int) -> None:
        """Let the machine's clock, and the times of files, go back."""
        self.now -= dt.timedelta(days=days)
        self.tick -= 1000

    # Updates, and what happens to them

    @precondition(lambda self: self.updates < MOST_UPDATES and (self.light > 1 or self.is_torn))
    @rule(work=WORKS)
    def update(self, work: str) -> None:
        """Bring the shop up to date."""
        self.work(work)

    @precondition(lambda self: self.updates < MOST_UPDATES - 1 and self.light > 1)
    @rule(at=st.integers(0, POINTS - 1), way=st.sampled_from(["kill", "kill", "full disk"]))
    def stopped_update(self, at: int, way: str) -> None:
        """Kill an update that publishes, or let it find the disk full, at its point of a number."""
        self.updates += 1
        type(self).all_updates += 1
        states = self.shown_when_done()
        stop = house.Stop(self.folder.root, at, way)
        ended = False
        with contextlib.suppress(house.Killed, OSError, duckdb.Error), stop.stopping():
            KILLING(self.folder, stop, self.now)
            ended = True
        lines = house.ledger_lines(self.folder)[len(self.model.lines) :]
        awaited = self.model.awaited()
        told = [(o["job_folder"], o["file_name"], o["file_sha256"]) for o in lines]
        assert told == [line[:3] for line in awaited[: len(told)]], (
            f"promise 2, nothing twice: the ledger of an update stopped at {stop.where}"
        )
        self.model.enter(awaited[: len(lines)])
        self.is_torn, self.is_calm, self.light = True, False, 0
        self.growing = None
        if ended:
            self.published = [states]
        elif self.published is not None or self.is_pointed():
            self.published = [*(self.published or []), states]
        promises.nothing_is_lost(self)
        promises.readers_see_one_whole_state(self)
        self.work("take in")  # what was left torn shows in what the next one makes of it

    @precondition(lambda self: self.light > 0 and bool(self.model.lines))
    @rule()
    def pack(self) -> None:
        """Pack the archive, as a night does."""
        archived.pack(self.folder, PACKING_S)
        promises.nothing_is_lost(self)

    @precondition(lambda self: self.updates < MOST_UPDATES and not (self.is_torn or self.growing))
    @rule(what=st.sampled_from(
        ["database cut", "warehouse gone", "pointer cut", "snapshot gone", "samples gone",
         "ledger's end cut", "ledger gone", "archived bytes flipped"]))  # fmt: skip
    def damage(self, what: str) -> None:
        """Spoil a file of the shop; the next update mends it and says so."""
        is_told = getattr(self, "_" + what.replace("'", "").replace(" ", "_"))()
        self.is_calm = False
        if is_told is None:
            return
        seen = self.work("publish" if what in ("pointer cut", "snapshot gone") else "take in")
        told = [*seen.told, *seen.taken.mended]
        assert told or not is_told, f"promise 12, damage is told: nothing said of {what}"

    def _database_cut(self) -> bool:
        data = self.folder.database.read_bytes()
        self.folder.database.write_bytes(data[: len(data) // 2])
        return True

    def _warehouse_gone(self) -> bool:
        shutil.rmtree(self.folder.warehouse)
        return bool(self.model.lines)  # before anything came nothing was lost

    def _pointer_cut(self) -> bool | None:
        path = self.folder.published / "current.json"
        if not path.is_file():
            return None
        path.write_bytes(path.read_bytes()[:40])
        return True

    def _snapshot_gone(self) -> bool | None:
        found = current(self.folder.root)
        if found is None or self.readers:
            return None
        found.path.unlink()
        return True

    def _samples_gone(self) -> bool | None:
        files = sorted(self.folder.samples.glob("*.parquet"))
        if not files:
            return None
        files[0].unlink()
        return True

    def _ledgers_end_cut(self) -> bool | None:
        path = self.folder.archive / "arrivals.jsonl"
        data = path.read_bytes() if path.is_file() else b""
        if data.count(b"\n") < 2:
            return None
        path.write_bytes(data[:-20])
        return True

    def _ledger_gone(self) -> bool | None:
        path = self.folder.archive / "arrivals.jsonl"
        if not path.is_file():
            return None
        path.unlink()
        return True

    def _archived_bytes_flipped(self) -> bool | None:
        """Spoil what the inbox still holds, and let all of it be read again."""
        at_hand = [
            self.model.known[place].content
            for place in self.some()
            if self.model.inbox[place] == self.model.known.get(place)
            and place not in self.model.absent
            and self.model.known[place].content.kind in self.model.layouts
        ]
        if not at_hand:
            return None
        sha = at_hand[0].sha
        for path in self.folder.archive.glob(f"{sha[:2]}/{sha}*"):  # plain or packed
            path.write_bytes(b"\0" * 99)
        return self._warehouse_gone()

    @precondition(lambda self: self.updates < MOST_UPDATES and not self.is_torn and self.light > 1)
    @rule()
    def slip_in_a_layout(self) -> None:
        """Take in while a layout has a mistake: what was read stays; the mistake is mended then."""
        layout = self.folder.layouts / "plain-pull.toml"
        taught = layout.read_text(encoding="utf-8")
        layout.write_text(taught.replace("[layout]", "[layout"), encoding="utf-8")
        self.model.layouts.discard("pull")
        before = set(self.model.read)
        self.is_calm = False
        try:
            self.work("take in", before)
        finally:
            layout.write_text(taught, encoding="utf-8")
            self.model.layouts.add("pull")
            self.is_calm = False

    @precondition(lambda self: self.updates < MOST_UPDATES and not self.is_torn and self.light > 0)
    @rule()
    def take_in_without_the_inbox(self) -> None:
        """Take in while the inbox's disk is not there."""
        inbox = self.folder.inbox
        away = inbox.rename(inbox.with_name("inbox elsewhere"))
        lying, self.model.inbox = self.model.inbox, {}
        growing, self.growing = self.growing, None
        try:
            self.work("take in")
        finally:
            shutil.rmtree(inbox)
            away.rename(inbox)
            self.model.inbox, self.growing = lying, growing

    @precondition(
        lambda self: not (self.updates or self.is_torn or self.growing) and self.light > 2
    )
    @rule(from_nothing=st.booleans(), what=WORKS)
    def do_it_again(self, from_nothing: bool, what: str) -> None:
        """Update twice, the second time perhaps from the archive alone: all is as it was."""
        what = "publish" if from_nothing else what  # what is derived is made again too
        before = self.work(what)
        if from_nothing:
            shutil.rmtree(self.folder.warehouse)
            self.is_calm = False
        after = self.work(what)
        promise = "3, all can be made again" if from_nothing else "2, nothing twice"
        for table in before.rows:
            rows = [sorted(map(repr, seen.rows[table])) for seen in (before, after)]
            if table == "reading":  # which pulls share a file of samples hangs on when they came
                rows = [sorted(repr(r[:5]) for r in seen.rows[table]) for seen in (before, after)]
            assert rows[0] == rows[1], f"promise {promise}: {table} differs"
        if not from_nothing:
            assert not after.taken.changed, "promise 2, nothing twice: an intake found something"
            assert not any(after.made.values()), f"promise 7, small work: {after.made}"

    @precondition(lambda self: self.updates < MOST_UPDATES and not self.is_torn and self.light > 2)
    @rule()
    def move_house(self) -> None:
        """Back up, restore elsewhere, and go on there."""
        self.growing = None
        back_up(self.folder, self.place / "backups", self.now, quietly)
        new = self.place / "restored"
        brought = restore(self.place / "backups", new, None, quietly)
        assert not brought.lost, f"promise 1, nothing is lost: {brought.lost}"
        self.close_readers()
        shutil.rmtree(self.folder.root)
        new.rename(self.folder.root)
        self.published, self.is_calm = None, False
        self.work("take in")

    @precondition(lambda self: self.published is not None and not self.readers)
    @rule()
    def read(self) -> None:
        """Open what is published, and keep it open."""
        self.readers.append(promises.opened(self))

    @precondition(
        lambda self: (
            self.updates < MOST_UPDATES
            and self.published is not None
            and self.light > 1
            and not (self.is_torn or self.growing or self.readers)
        )
    )
    @rule(at=st.integers(0, POINTS - 1))
    def read_meanwhile(self, at: int) -> None:
        """Open what is published while an update is under way, and keep it open."""
        self.published = [*(self.published or []), self.shown_when_done()]
        broken: list[str] = []  # told afterwards: whatever runs now catches what is raised

        def look(number: int) -> None:
            try:
                if number == at:
                    self.readers.append(promises.opened(self))
                else:
                    promises.pointed(self)
            except AssertionError as error:
                broken.append(str(error))

        with house.watching(house.Look(look)):
            seen = self.begun("publish")
        assert not broken, broken[0]
        self.held(*seen, "publish")

    # How it is done

    def cards(self) -> dict[str, Said]:
        """Return what the cards say that came last and have no slip."""
        return {
            place[0]: known.content.said
            for place, known in self.model.known.items()
            if place[1] == CARD and known.content.kind == "card" and known.content.said
        }

    def some(self) -> list[Place]:
        """Return the files in the inbox that may be touched."""
        return sorted(self.model.inbox.keys() - {ANCHOR})

    def put(self, place: Place, content: Content) -> None:
        """Write a file into the inbox, at a time that none had before."""
        self.tick += 1
        modified_ns = (1_700_000_000 + self.tick) * 10**9
        write(self.folder, place, Lying(content, modified_ns))
        self.model.inbox[place] = Lying(content, modified_ns)
        if self.growing == place:
            self.growing = None
        self.light += 1
        type(self).acts += 1

    def take_away(self, place: Place) -> None:
        """Delete a file of the inbox."""
        self.folder.inbox.joinpath(*place).unlink()
        del self.model.inbox[place]
        if self.growing == place:
            self.growing = None
        self.light += 1
        type(self).acts += 1

    def shown_when_done(self) -> list[tuple[str, ...]]:
        """Return the states that an update would publish now."""
        ahead = copy.deepcopy(self.model)
        ahead.enter(ahead.awaited())
        ahead.read_all()
        return sorted((*place, state) for place, state in ahead.states().items())

    def work(self, what: str, read_before: set[str] | None = None) -> house.Seen:
        """Update; hold what is there then against the model, promise by promise."""
        return self.held(*self.begun(what), what, read_before)

    def begun(self, what: str) -> tuple[house.Seen, set[str]]:
        """Update; return what it said, and what had come before."""
        self.updates += 1
        type(self).all_updates += 1
        growing, self.growing, self.arriving = self.growing, None, self.growing
        self.entered = self.model.awaited(growing)
        held = set(self.model.contents)
        with self.writing_on(growing) as settle_s:
            return self.updated(what, settle_s), held

    def held(
        self, seen: house.Seen, held: set[str], what: str, read_before: set[str] | None = None
    ) -> house.Seen:
        """Hold what is there after an update against the model."""
        self.model.enter(self.entered)
        fresh = {
            line.sha
            for line in self.entered
            if promises.is_log(line[:2]) and not line.is_taken_out and line.sha not in held
        }
        self.model.read_all()
        self.model.read |= read_before or set()
        if what == "publish":
            shown = sorted((*place, state) for place, state in self.model.states().items())
            self.published = [shown]
        promises.check(self, seen, fresh, is_published=what == "publish")
        self.is_calm, self.is_torn, self.light = True, False, 0
        return seen

    def updated(self, what: str, settle_s: float) -> house.Seen:
        """Update; whatever lies in the inbox, it comes to its end."""
        try:
            return house.update(self.folder, what, self.now, settle_s)
        except Exception as error:
            if str(error).startswith("promise "):
                raise
            told = f"promise 11, nothing stops the shop: {type(error).__name__}: {error}"
            raise AssertionError(told) from error

    @contextlib.contextmanager
    def writing_on(self, growing: Place | None) -> Iterator[float]:
        """Let a file that is half-written get its other half while files are left to rest."""
        if growing is None:
            yield 0.0
            return
        whole = Lying(log("pull", 9), self.model.inbox[growing].modified_ns + 1)

        def rest(_: float) -> None:
            write(self.folder, growing, whole)

        held, archive.time = archive.time, _Clock(rest)
        try:
            yield 0.01
        finally:
            archive.time = held
            self.model.inbox[growing] = whole
            self.is_calm = False

    def is_pointed(self) -> bool:
        """Whether readers have something to open: not before the first publish is whole."""
        return (self.folder.published / "current.json").is_file()

    def close_readers(self) -> None:
        """Close what is open for reading."""
        for reader, _ in self.readers:
            reader.close()
        self.readers = []

    def teardown(self) -> None:
        """Throw the shop away."""
        self.close_readers()
        shutil.rmtree(self.place, ignore_errors=True)


class _Clock:
    """A clock whose rest is somebody's act."""

    def __init__(self, sleep) -> None:
        self.sleep = sleep

    def time(self) -> float:
        """Return the time at which every file is young."""
        return 0.0


def write(folder: ShopFolder, place: Place, lying: Lying) -> None:
    """Write a file of the inbox."""
    path = folder.inbox.joinpath(*place)
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(lying.content.data)
    os.utime(path, ns=(lying.modified_ns, lying.modified_ns))


def killed_here(folder: ShopFolder, stop: house.Stop, now: dt.datetime) -> None:
    """Update in this process; the stop leaves the disk as a kill would."""
    house.update(folder, "publish", now)


def killed_apart(folder: ShopFolder, stop: house.Stop, now: dt.datetime) -> None:
    """Update in a process of its own, which is really killed."""
    if stop.way != "kill":
        killed_here(folder, stop, now)
        return
    ways = multiprocessing.get_all_start_methods()
    way = multiprocessing.get_context("forkserver" if "forkserver" in ways else "spawn")
    process = way.Process(target=_updated, args=(str(folder.root), stop.kill_at, now))
    with apart.without_main():
        process.start()
    process.join()
    if process.exitcode:
        raise house.Killed


def _updated(root: str, at: int, now: dt.datetime) -> None:
    with house.small_house():
        watch(Points(at))
        house.update(ShopFolder(Path(root)), "publish", now)


KILLING = killed_here
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108 thousands of small shops


@functools.cache
def beginning(how: str) -> tuple[Path, Model, list[list[tuple[str, ...]]] | None]:
    """Make the shop that lives begin with, once: new, old, or old and taught to read rides."""
    place = Path(tempfile.mkdtemp(prefix="life-begins-", dir=MEMORY))
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    folder = ShopFolder(place / "shop")
    folder.make()
    folder.settings.write_text(SETTINGS, encoding="utf-8")
    shutil.copy(ODD / "layouts" / "plain-pull.toml", folder.layouts)
    with store.writer(folder):
        pass
    model, published = Model(), None
    first = {ANCHOR: log("pull", 8)}
    if how != "new":
        first |= {
            ("job 1", CARD): card(Said(1, SHAPES[0])),
            ("job 1", "a.csv"): log("pull", 0),
            ("job 1", "b.csv"): log("pull", 1),
            ("job 2", "a.csv"): log("bad row", 2),
        }
    if how == "taught":
        shutil.copy(ODD / "layouts" / "plain-ride.toml", folder.layouts)
        model.layouts.add("ride")
    for number, (where, content) in enumerate(sorted(first.items(), key=lambda one: one[0])):
        lying = Lying(content, (1_700_000_000 + number) * 10**9)
        write(folder, where, lying)
        model.inbox[where] = lying
    if how != "new":
        house.update(folder, "publish", NOW)
        model.enter(model.awaited())
        model.read_all()
        published = [sorted((*where, state) for where, state in model.states().items())]
    return folder.root, model, published
