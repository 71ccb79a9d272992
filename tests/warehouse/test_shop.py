"""A shop's folders are private to their owner; what the owner shares stays shared."""

import os
import stat

import pytest

from warehouse.shop import ShopFolder

pytestmark = pytest.mark.skipif(os.name == "nt", reason="no such rights on this system")


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


@pytest.fixture
def loose():
    """Let every right through, as the most careless account would."""
    before = os.umask(0)
    yield
    os.umask(before)


def test_a_new_shop_is_closed_to_all_others(tmp_path, loose):
    shop = ShopFolder(tmp_path / "shop")
    shop.make()
    folders = [shop.root, *(path for path in shop.root.rglob("*") if path.is_dir())]
    assert len(folders) == 11
    assert {mode(folder) for folder in folders} == {0o700}


def test_a_loose_shop_is_tightened(tmp_path, loose):
    shop = ShopFolder(tmp_path / "shop")
    shop.make()
    folders = [shop.root, *(path for path in shop.root.rglob("*") if path.is_dir())]
    for folder in folders:
        folder.chmod(0o755)
    shop.make()
    assert mode(shop.archive) == mode(shop.published) == mode(shop.warehouse) == 0o700
    assert not any(mode(folder) & 0o007 for folder in folders)


def test_an_inbox_shared_with_a_group_stays_shared(tmp_path):
    shop = ShopFolder(tmp_path / "shop")
    shop.make()
    shop.root.chmod(0o710)
    shop.inbox.chmod(0o2770)
    shop.make()
    assert (mode(shop.root), mode(shop.inbox)) == (0o710, 0o2770)


def test_an_inbox_opened_to_everyone_stays_open_and_can_be_reached(tmp_path):
    shop = ShopFolder(tmp_path / "shop")
    shop.make()
    shop.root.chmod(0o711)
    shop.inbox.chmod(0o1777)
    shop.archive.chmod(0o755)
    shop.make()
    assert (mode(shop.root), mode(shop.inbox), mode(shop.archive)) == (0o711, 0o1777, 0o700)
