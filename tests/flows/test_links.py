"""Links in the inbox: told, never followed."""

import os
import sys

import pytest

from flows.steps import inbox

TOLD = "is a link, not a file: copy the file itself here"
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links take rights there")


@pytest.fixture
def secret(tmp_path):
    """Put a file outside the shop, in a folder of its own."""
    path = tmp_path / "elsewhere" / "secret.csv"
    path.parent.mkdir()
    path.write_text("nobody's business\n", encoding="utf-8")
    return path


def test_what_a_link_points_at_is_not_taken_in_and_the_link_is_told(shop, secret):
    folder = shop.folder.inbox / "job"
    folder.mkdir()
    (folder / "to_file.csv").symlink_to(secret)
    (folder / "to_folder").symlink_to(secret.parent)
    (folder / "to_nothing.csv").symlink_to(secret.parent / "gone")
    (folder / "relative.csv").symlink_to("../../rollbook.toml")
    result = shop.take_in()
    assert result.arrived == 0
    names = ("relative.csv", "to_file.csv", "to_folder", "to_nothing.csv")
    assert list(result.unreadable) == [f"job/{name}: {TOLD}" for name in names]
    assert shop.rows("SELECT count(*) FROM raw.arrival") == [(0,)]


def test_a_circle_of_links_holds_nothing_up(shop):
    (shop.folder.inbox / "job").mkdir()
    (shop.folder.inbox / "job" / "round").symlink_to(shop.folder.inbox)
    (shop.folder.inbox / "itself").symlink_to("itself")
    shop.put("job/what.csv", "nothing known\n")
    result = shop.take_in()
    assert result.arrived == 1
    assert list(result.unreadable) == [f"itself: {TOLD}", f"job/round: {TOLD}"]


def test_what_is_no_file_at_all_is_told_and_never_opened(shop):
    os.mkfifo(shop.folder.inbox / "pipe.csv")  # opening one for reading would wait for ever
    result = shop.take_in()
    assert list(result.unreadable) == ["pipe.csv: is no file: copy the file itself here"]


def test_a_file_in_the_place_of_its_link_is_taken_in(shop, secret):
    link = shop.folder.inbox / "log.csv"
    link.symlink_to(secret)
    assert shop.take_in().arrived == 0
    link.unlink()
    link.write_text("nothing known\n", encoding="utf-8")
    result = shop.take_in()
    assert (result.arrived, list(result.unreadable)) == (1, [])


def test_an_inbox_that_its_owner_keeps_elsewhere_is_the_inbox(shop, tmp_path):
    shop.folder.inbox.rmdir()
    (tmp_path / "big disk").mkdir()
    shop.folder.inbox.symlink_to(tmp_path / "big disk")
    shop.put("job/what.csv", "nothing known\n")
    assert shop.take_in().arrived == 1


def test_a_junction_is_a_link_too():
    # IO_REPARSE_TAG_MOUNT_POINT, [MS-FSCC] 2.1.2.1; such a folder says of itself it is no symlink.
    class Junction:
        def is_symlink(self):
            return False

    class Found:
        st_mode = 0o040777
        st_reparse_tag = 0xA0000003

    assert inbox.trouble_of(Junction(), Found()) == TOLD
