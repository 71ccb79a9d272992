"""A change is looked at before it acts: on a copy that costs the shop nothing, and told truly."""

import errno
import hashlib
import json
import os
import shutil
from types import SimpleNamespace

import filelock
import pytest

from flows import publish, trial
from flows.steps import ledger
from flows.steps.progress import quietly
from flows.steps.sweep import sweep_half_made
from flows.trial_answers import before_update, say_what_the_method_changed
from tests.conftest import LittleShop, command_line, pull_text
from warehouse import snapshot, store
from warehouse.headlines import headlines
from warehouse.snapshot import current, open_reader

OWN = {"warehouse/trial.lock", "warehouse/tried.json", "warehouse/writer.lock"}
TOML = """# what the owner wrote stays
[mixture]
warn_pct = 10.0  # agreed in spring
"""


def lean(percent):
    """Return a mixture at least so many percent lean of the target of 0.87, at most 1 more."""
    # Not quite level: a gauge that gives one value all the way is taken for stuck.
    return lambda speed: (0.87 + 0.006 * speed / 8000) * (1 + percent / 100)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Make a shop whose first bike runs 11 % lean: WARN at 10, no more than NOTICE at 14."""
    shop = LittleShop(tmp_path_factory.mktemp("tried") / "shop")
    with shop.folder.settings.open("a", encoding="utf-8") as settings:
        settings.write(TOML)
    folder = shop.job(1)
    for pull in (1, 2):
        shop.put(f"{folder}/s1_{pull}.csv", pull_text(1 + 0.001 * pull, mixture=lean(11)))
    shop.update()
    return shop


@pytest.fixture
def shop(made, tmp_path):
    return LittleShop(shutil.copytree(made.folder.root, tmp_path / "shop"))


def files(shop):
    """Return the bytes of all that is the shop's own."""
    root = shop.folder.root
    return {
        name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in root.rglob("*")
        if path.is_file() and (name := path.relative_to(root).as_posix()) not in OWN
    }


def tried(shop, *values, layouts=()):
    """Try values and return what was foretold and what came of it."""
    told = []
    change = trial.changed(shop.folder, values, None, layouts)
    found = trial.try_out(shop.folder, change, quietly, told.append)
    return SimpleNamespace(forecast=told[0], **found._asdict())


def sentences(shop):
    with open_reader(current(shop.folder.root).path) as reader:
        return {key: one.sentence for key, one in headlines(reader).items()}


def test_what_was_tried_is_what_the_update_makes_and_the_comments_of_the_settings_stay(shop):
    before, stood = files(shop), sentences(shop)
    found = tried(shop, "mixture.warn_pct=14", "mixture.stop_pct=16")
    assert files(shop) == before
    assert not shop.folder.trial.exists()
    # 11 % lean lies above the one threshold and below the other, by the definition of the levels.
    (grade,) = [one for one in found.changes.changed if one.now.key == "J-1/1"]
    assert grade.is_turned
    assert grade.then.startswith("WARN")
    assert grade.now.sentence.startswith("NOTICE")
    assert trial.apply(shop.folder) == ["rollbook.toml"]
    text = shop.folder.settings.read_text(encoding="utf-8")
    assert "# what the owner wrote stays" in text
    assert "warn_pct = 14  # agreed in spring" in text
    made = shop.update().made
    now = sentences(shop)
    moved = {(one.now.kind, one.now.key): one.now.sentence for one in found.changes.changed}
    assert moved == {key: said for key, said in now.items() if said != stood.get(key, said)}
    foretold = {one.step: one for one in found.forecast.due}
    for step, keys in made.items():
        least, most = (foretold[step].keys, foretold[step].at_most) if step in foretold else (0, 0)
        assert least <= keys <= most, step


def test_a_reading_again_of_everything_writes_into_none_of_the_shops_files(shop):
    before = files(shop)
    found = tried(shop, 'shop.timezone="America/Halifax"')
    assert found.forecast.files == 4
    assert files(shop) == before


def test_a_setting_on_which_nothing_rests_makes_nothing_and_says_so(shop):
    code, said = command_line("try-out", shop.folder.root, "--set", "schedule.intake_minutes=7")
    assert code == 0
    assert "in what no figure and no word rests on" in said
    assert "Nothing would be made again." in said
    assert "No headline sentence reads otherwise. 0 came new, 0 went." in said


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ("mixture.warn_pct=99", "warn_pct must be"),
        ("mixture.warn_pct=4", "must rise in this order"),
        ("mixture.wran_pct=12", "not a key that belongs here"),
        ("lean.warn_pct=12", "not a key that belongs here"),
        ("warn_pct=12", "no setting and value such as"),
        ("mixture.warn_pct", "no setting and value such as"),
        ("figures.reference_air=ISO 9", "reference_air"),
    ],
)
def test_what_cannot_be_a_setting_is_refused_before_anything_is_copied(shop, asked, told):
    code, said = command_line("try-out", shop.folder.root, "--set", asked)
    assert code == 1
    assert told in said
    assert not shop.folder.tried.exists()


def test_a_layout_that_would_read_less_is_told_by_the_files_that_it_loses(shop, tmp_path):
    text = (shop.folder.layouts / "plain-pull.toml").read_text(encoding="utf-8")
    (tmp_path / "new.toml").write_text(text.replace("crank rpm", "rpm of crank"), encoding="utf-8")
    found = tried(shop, layouts=[tmp_path / "new.toml"])
    assert found.forecast.told == ["layouts/plain-pull.toml"]
    assert len(found.lost) == 4
    assert {one.kind for one in found.changes.gone} >= {"lean grade", "gain"}
    (tmp_path / "new.toml").write_text(text.replace("[recognise", "[recognize"), encoding="utf-8")
    code, said = command_line("try-out", shop.folder.root, "--layout", tmp_path / "new.toml")
    assert code == 1
    assert "new.toml has mistakes" in said


def test_a_writer_at_work_is_waited_for_and_works_on_while_the_copy_is_tried(shop):
    change = trial.changed(shop.folder, ["show.power=hp"], None, [])
    with store.writer(shop.folder), pytest.raises(store.ShopIsBusyError, match="at work"):
        trial.try_out(shop.folder, change, quietly, lambda _: None)
    assert not shop.folder.trial.exists()

    def meanwhile(_):
        with store.writer(shop.folder) as connection:
            connection.execute("SELECT 1")
        # Its intake sweeps what killed trials left: not this one, which is at work.
        sweep_half_made(shop.folder)
        assert shop.folder.trial.is_dir()
        with pytest.raises(store.ShopIsBusyError, match="another change"):
            trial.try_out(shop.folder, change, quietly, lambda _: None)

    trial.try_out(shop.folder, change, quietly, meanwhile)


@pytest.mark.long
def test_a_full_disk_ends_the_trial_and_leaves_the_shop_its_room(shop, monkeypatch):
    before = files(shop)
    with monkeypatch.context() as patch:
        patch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=1_000_000))
        code, said = command_line("try-out", shop.folder.root)
        assert (code, "the disk is full" in said) == (1, True)
    with monkeypatch.context() as patch:

        def no_room(*_, **__):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        patch.setattr(trial, "publish", no_room)
        code, said = command_line("try-out", shop.folder.root, "--set", "show.power=hp")
        assert (code, "the disk is full" in said) == (1, True)
    assert files(shop) == before
    assert not shop.folder.trial.exists()
    assert not shop.folder.tried.exists()


def test_a_killed_trial_leaves_a_folder_that_the_next_intake_sweeps(shop):
    before = files(shop)
    trial._copy(shop.folder)  # as far as a kill let it come
    with filelock.FileLock(shop.folder.trial_lock):
        sweep_half_made(shop.folder)
        assert shop.folder.trial.is_dir()
    sweep_half_made(shop.folder)
    assert files(shop) == before


@pytest.fixture(scope="module")
def tried_once(made, tmp_path_factory):
    root = tmp_path_factory.mktemp("tried once") / "shop"
    shop = LittleShop(shutil.copytree(made.folder.root, root))
    tried(shop, "mixture.warn_pct=14")
    return shop


@pytest.mark.parametrize("what", ["settings", "layouts", "snapshot", "arrivals", "nothing tried"])
def test_what_was_tried_is_not_applied_to_a_shop_that_moved_on(tried_once, tmp_path, what):
    shop = LittleShop(shutil.copytree(tried_once.folder.root, tmp_path / "shop"))
    if what == "nothing tried":
        shop.folder.tried.unlink()
    if what == "settings":
        shop.folder.settings.write_text("[mixture]\nwarn_pct = 11\n", encoding="utf-8")
    elif what == "layouts":
        (shop.folder.layouts / "plain-ride.toml").unlink()
    elif what == "snapshot":
        pointer = json.loads((shop.folder.published / snapshot.POINTER).read_text())
        pointer.pop("check")
        text = json.dumps({**pointer, "content": "of another evening"})
        (shop.folder.published / snapshot.POINTER).write_text(text)
    elif what == "arrivals":
        with (shop.folder.archive / ledger.LEDGER).open("a") as lines:
            lines.write("\n")
    settings = shop.folder.settings.read_bytes()
    code, said = command_line("try-out", shop.folder.root, "--apply")
    assert code == 1
    assert ("nothing was tried" if what == "nothing tried" else "nothing was applied") in said
    assert what == "nothing tried" or "--set mixture.warn_pct=14" in said
    assert shop.folder.settings.read_bytes() == settings


@pytest.mark.long
def test_an_apply_killed_between_two_files_goes_on_where_it_was(shop, tmp_path, monkeypatch):
    text = (shop.folder.layouts / "plain-ride.toml").read_text(encoding="utf-8") + "# looked at\n"
    (tmp_path / "ride.toml").write_text(text, encoding="utf-8")
    tried(shop, "mixture.warn_pct=14", layouts=[tmp_path / "ride.toml"])
    with monkeypatch.context() as patch:

        def killed_at_the_second(path, content):
            if path.name == "plain-ride.toml":
                raise KeyboardInterrupt
            path.write_text(content, encoding="utf-8")

        patch.setattr(trial, "write_whole", killed_at_the_second)
        with pytest.raises(KeyboardInterrupt):
            trial.apply(shop.folder)
    assert trial.apply(shop.folder) == ["rollbook.toml", "layouts/plain-ride.toml"]
    assert (shop.folder.layouts / "plain-ride.toml").read_text(encoding="utf-8") == text


@pytest.mark.long
def test_an_update_says_how_many_sentences_another_method_changed_and_else_nothing(
    shop, monkeypatch, capsys
):
    with monkeypatch.context() as patch:
        older = {table: told + " (older)" for table, told in publish.versions().items()}
        patch.setattr(publish, "versions", lambda: older)
        (shop.folder.history / "index.json").unlink(missing_ok=True)
        with store.writer(shop.folder) as connection:
            publish.publish_snapshot(connection, shop.folder)
    before = before_update(shop.folder)
    text = shop.folder.settings.read_text(encoding="utf-8")
    # What the newer method would do is done here by a threshold.
    shop.folder.settings.write_text(text.replace("10.0", "14"), encoding="utf-8")
    shop.update()
    after = current(shop.folder.root)
    say_what_the_method_changed(before, after, shop.folder.root)
    said = capsys.readouterr().out
    assert "changed because the method changed" in said
    say_what_the_method_changed(before_update(shop.folder), after, shop.folder.root)
    say_what_the_method_changed(before._replace(versions=publish.versions()), after, "shop")
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("where", ["database", "ledger", "snapshot"])
def test_a_shop_of_a_newer_version_is_refused_and_left_as_it_is(shop, where):
    folder = shop.folder
    if where == "database":
        with store.writer(folder) as connection:
            connection.execute("UPDATE main.made_with SET shop_format = 3")
    elif where == "ledger":
        lines = (folder.archive / ledger.LEDGER).read_text(encoding="utf-8")
        entry = json.loads(lines.splitlines()[-1]) | {"format": 3}
        del entry["check"]
        entry["arrival_no"] += 1
        with (folder.archive / ledger.LEDGER).open("a", encoding="utf-8") as file:
            file.write(ledger.sealed(entry) + "\n")
    else:
        pointer = json.loads((folder.published / snapshot.POINTER).read_text(encoding="utf-8"))
        del pointer["check"]
        pointer |= {"format": 3}
        text = json.dumps(pointer | {"check": snapshot.seal(pointer)})
        (folder.published / snapshot.POINTER).write_text(text, encoding="utf-8")
    shop.job(4)
    before = files(shop)
    code, said = command_line("update", shop.folder.root, "--complete")
    assert code == 1
    assert "written by a newer version of this program (format 3; this one knows 2)" in said
    assert files(shop) == before
