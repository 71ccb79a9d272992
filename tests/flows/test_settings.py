"""Opening a shop, and the environment that flows run in."""

import pytest

from flows.settings import NotAShopError, init_shop, open_shop, prefect_environment


def test_a_new_shop_has_its_folders_and_settings(tmp_path):
    shop = init_shop(tmp_path / "shop")
    for folder in (shop.layouts, shop.inbox, shop.archive, shop.refused, shop.published):
        assert folder.is_dir()
    _, settings = open_shop(shop.root)
    assert settings.figures.reference_air == "SAE J1349"


def test_a_shop_made_again_keeps_its_settings(tmp_path):
    shop = init_shop(tmp_path / "shop")
    shop.settings.write_text('[shop]\nname = "Ours"\n', encoding="utf-8")
    init_shop(tmp_path / "shop")
    assert open_shop(shop.root)[1].shop.name == "Ours"


def test_a_folder_without_settings_is_no_shop(tmp_path):
    with pytest.raises(NotAShopError, match=r"it has no rollbook.toml; make one with"):
        open_shop(tmp_path)


def test_nothing_of_a_shop_leaves_the_machine(tmp_path):
    environment = prefect_environment(init_shop(tmp_path / "shop"), 4200)
    assert environment["DO_NOT_TRACK"] == "1"
    assert environment["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false"
    assert environment["PREFECT_TELEMETRY_ENABLE_RESOURCE_METRICS"] == "false"
    assert environment["PREFECT_API_URL"].startswith("http://127.0.0.1:")
    assert environment["PREFECT_HOME"].startswith(str(tmp_path))
