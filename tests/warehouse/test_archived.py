"""Archived bytes are the same packed and plain, and there is no moment without a good copy."""

import contextlib
import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pytest

from flows.backup import back_up
from flows.restore import restore
from flows.steps.progress import quietly
from flows.steps.selfcheck import self_check
from schemas.layout import read_layouts
from tests.conftest import NOW, LittleShop
from warehouse import archived, store
from warehouse.archived import GoneError, held, keep, pack, pieces, plain_path, whole
from warehouse.shop import ShopFolder


def zstd(data):
    made = pa.BufferOutputStream()
    with pa.CompressedOutputStream(made, "zstd") as packed:
        packed.write(data)
    return made.getvalue().to_pybytes()


def sha_of(data):
    return hashlib.sha256(data).hexdigest()


def packed_path(folder, sha):
    return folder.archive / sha[:2] / f"{sha}.zst"


@pytest.fixture
def folder(tmp_path):
    found = ShopFolder(tmp_path / "shop")
    found.make()
    return found


@pytest.mark.parametrize(
    "data", [b"", b"one", b"%d;" * 200_000 % tuple(range(200_000)), os.urandom(3_000_000)], ids=len
)
def test_bytes_come_back_as_they_were_kept(folder, data):
    sha = keep(folder, data)
    assert pack(folder, 60.0)[0] == 1
    assert not archived.archived_path(folder, sha).exists()
    assert whole(folder, sha) == data
    assert plain_path(folder, sha).read_bytes() == data
    assert held(folder) == {sha}
    assert keep(folder, data) == sha
    assert not archived.archived_path(folder, sha).exists()


def test_a_packed_file_is_one_that_other_programs_open(folder):
    # The magic number of a zstd frame: RFC 8878, section 3.1.1.
    sha = keep(folder, b"0.1;2500\n" * 1000)
    pack(folder, 60.0)
    assert packed_path(folder, sha).read_bytes()[:4] == bytes.fromhex("28b52ffd")


def test_a_text_log_shrinks_to_a_third_at_least(folder, make):
    data = make.pull(rows=1500).encode()
    sha = keep(folder, data)
    count, saved = pack(folder, 60.0)
    assert (count, saved) == (1, len(data) - packed_path(folder, sha).stat().st_size)
    assert saved > 2 / 3 * len(data)


@pytest.mark.parametrize("spoil", [lambda data: data[:-20], lambda _: b"", lambda _: zstd(b"else")])
def test_a_damaged_frame_is_told_as_gone_and_kept_again(folder, spoil):
    data = b"0.1;2500\n" * 1000
    sha = keep(folder, data)
    pack(folder, 60.0)
    path = packed_path(folder, sha)
    path.write_bytes(spoil(path.read_bytes()))
    with pytest.raises(GoneError):
        whole(folder, sha)
    with pytest.raises(GoneError):
        plain_path(folder, sha)
    keep(folder, data)
    assert whole(folder, sha) == data


def test_a_bomb_is_left_before_it_fills_the_disk(folder):
    bomb = zstd(bytes(60_000_000))
    sha = sha_of(bytes(60_000_000))
    packed_path(folder, sha).parent.mkdir()
    packed_path(folder, sha).write_bytes(bomb)
    given = 0
    with contextlib.suppress(GoneError):
        for piece in pieces(folder, sha):
            given += len(piece)
        pytest.fail("all of it was given")
    assert given <= archived.MOST_TIMES * len(bomb)


def test_what_shrinks_like_a_bomb_stays_plain(folder):
    sha = keep(folder, bytes(60_000_000))
    assert pack(folder, 60.0) == (0, 0)
    assert archived.archived_path(folder, sha).is_file()


def test_a_damaged_plain_file_is_not_packed(folder):
    sha = keep(folder, b"one")
    archived.archived_path(folder, sha).write_bytes(b"two")
    assert pack(folder, 60.0) == (0, 0)


def test_a_file_that_is_packed_while_somebody_begins_to_read_it_is_read(folder, monkeypatch):
    sha = keep(folder, b"read me " * 1000)
    is_file = Path.is_file

    def then_packed(path):
        answer = is_file(path)
        with monkeypatch.context() as meanwhile:
            meanwhile.setattr(Path, "is_file", is_file)
            pack(folder, 60.0)
        return answer

    monkeypatch.setattr(Path, "is_file", then_packed)
    assert whole(folder, sha) == b"read me " * 1000


def test_packing_ends_in_time_and_goes_on_the_next_time(folder):
    for number in range(5):
        keep(folder, b"%d" % number)
    assert pack(folder, 0.0) == (0, 0)
    assert pack(folder, 60.0)[0] == 5


KILLED = """
import os, sys
from pathlib import Path
from warehouse import archived
from warehouse.shop import ShopFolder

place, calls = sys.argv[2], 0
def die(event, arguments):
    if event == place and ".making-" in str(arguments[0]) or event == place == "os.remove":
        os._exit(9)
sys.addaudithook(die)
archived.pack(ShopFolder(Path(sys.argv[1])), 60.0)
"""


@pytest.mark.parametrize("place", ["os.rename", "os.remove"])
def test_a_kill_while_packing_leaves_a_good_copy(folder, place):
    data = b"0.1;2500\n" * 1000
    sha = keep(folder, data)
    done = subprocess.run([sys.executable, "-c", KILLED, folder.root, place], check=False)
    assert done.returncode == 9
    assert whole(folder, sha) == data
    pack(folder, 60.0)
    assert whole(folder, sha) == data
    assert not archived.archived_path(folder, sha).exists()


def test_a_packed_shop_is_read_again_checked_backed_up_and_brought_back(shop, tmp_path):
    shop.job(1, levels=(1.0,))
    shop.put("job 1/ride.csv.gz", b"\x1f\x8b no such thing")
    shop.take_in()
    before = shop.contents("core")
    assert pack(shop.folder, 60.0)[0] >= 4
    shop.forget_warehouse()
    shop.take_in()
    assert shop.contents("core") == before
    assert not list((shop.folder.warehouse / "unpacked").glob("*"))
    with store.writer(shop.folder) as connection:
        assert self_check(connection, shop.folder, quietly) == []
    assert back_up(shop.folder, tmp_path / "kept", NOW, quietly).lost == []
    restore(tmp_path / "kept", tmp_path / "back", None, quietly)
    back = LittleShop(tmp_path / "back")
    assert held(back.folder) == held(shop.folder)
    back.take_in()
    assert back.contents("core") == before
    assert read_layouts(back.folder.layouts)[1] == {}


def both(folder, data):
    """Keep bytes packed, with a damaged plain file of the same name beside them."""
    sha = keep(folder, data)
    pack(folder, 60.0)
    archived.archived_path(folder, sha).write_bytes(b"X" + data[1:])
    return sha


READ_BY = {
    "bytes": whole,
    "a path": lambda folder, sha: plain_path(folder, sha).read_bytes(),
    "a path, now": lambda folder, sha: archived.read_by_path(folder, sha, Path.read_bytes),
}


@pytest.mark.parametrize("read", READ_BY.values(), ids=READ_BY)
def test_a_damaged_plain_file_does_not_hide_its_sound_packed_copy(folder, read):
    data = b"0.1;2500\n" * 1000
    sha = both(folder, data)
    assert read(folder, sha) == data
    assert not archived.archived_path(folder, sha).exists()
    (aside,) = (folder.warehouse / "damaged").iterdir()
    assert aside.read_bytes() == b"X" + data[1:]


def test_bytes_of_which_one_copy_is_sound_are_archived(folder):
    data = b"0.1;2500\n" * 1000
    sha = both(folder, data)
    assert archived.is_archived(folder, sha)
    assert keep(folder, data) == sha
    assert not archived.archived_path(folder, sha).exists()


def test_where_both_copies_are_damaged_nothing_is_put_aside(folder):
    sha = both(folder, b"0.1;2500\n" * 1000)
    packed_path(folder, sha).write_bytes(b"no frame")
    with pytest.raises(GoneError):
        whole(folder, sha)
    assert archived.archived_path(folder, sha).is_file()
    assert not archived.is_archived(folder, sha)


def test_the_check_tells_which_archived_file_was_put_aside(shop):
    shop.put("job 1/pull_1.csv", "seconds\n1\n")
    shop.take_in()
    sha = both(shop.folder, b"seconds\n1\n")
    told = []
    with store.writer(shop.folder) as connection:
        assert self_check(connection, shop.folder, quietly, told.append) == []
    assert any(sha[:12] in one and "damaged/" in one for one in told)


def test_a_file_that_is_packed_between_its_path_and_its_reading_is_read_all_the_same(folder):
    data = b"0.1;2500\n" * 1000
    sha = keep(folder, data)
    tried = []

    def late(path):
        if not tried:
            pack(folder, 60.0)
        tried.append(path)
        return path.read_bytes()

    assert archived.read_by_path(folder, sha, late) == data
    assert len(tried) == 2


def test_a_path_to_bytes_that_are_gone_is_no_path(folder):
    with pytest.raises(GoneError):
        plain_path(folder, "ab" * 32)
