"""A page opened at its own address, as a browser opens it."""

from pathlib import Path

from streamlit.testing.v1 import AppTest

APP = Path(__file__).resolve().parents[2] / "dashboard" / "app.py"
_known: dict = {}


def open_page(view: str, shop, monkeypatch, *, within_s: int = 60, **query: str) -> AppTest:
    """Open one page of a shop.

    `AppTest` learns which pages there are by drawing the first one. That is done once: drawing it
    before every page costs as much as the page.
    """
    monkeypatch.setenv("ROLLBOOK_SHOP", str(shop))
    app = AppTest.from_file(str(APP), default_timeout=within_s)
    if not _known:
        _known.update(AppTest.from_file(str(APP), default_timeout=within_s).run()._registered_pages)
    app._registered_pages = _known
    for name, text in query.items():
        app.query_params[name] = text
    if (APP.parent / "views" / f"{view}.py").is_file():
        app.switch_page(f"views/{view}.py")
    else:  # an address that leads on to another
        app._page_hash = next(at for at, one in _known.items() if one["url_pathname"] == view)
    app.run()
    assert not app.exception
    return app
