"""One Prefect server for the whole session, and its environment, set before it is imported."""

import os

import pytest

from flows.settings import prefect_environment
from warehouse.shop import ShopFolder


@pytest.fixture(scope="session")
def schedule(tmp_path_factory):
    """Import the served flows beside a Prefect server that ends with the session."""
    shop = ShopFolder(tmp_path_factory.mktemp("prefect"))
    shop.make()
    environment = prefect_environment(shop, 0)
    # The harness brings its own server.
    del environment["PREFECT_API_URL"]
    before = dict(os.environ)
    os.environ.update(environment)
    from prefect.testing.utilities import prefect_test_harness

    with prefect_test_harness(server_startup_timeout=120):
        from flows import schedule

        yield schedule
    os.environ.clear()
    os.environ.update(before)
