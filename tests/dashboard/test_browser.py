"""The pages in a real browser: no error, nothing fetched from elsewhere, no sideways scrolling.

Every page is opened once, on a phone and in light, and a few of them in dark. All of them in dark
are long: `pytest -m long tests/dashboard/test_browser.py`.
"""

from urllib.parse import urlsplit

import pytest

from tests import pictures as screenshots

pytest.importorskip("playwright", reason="playwright is not installed")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(screenshots.browser_path() is None, reason="no Chromium on this PATH"),
]


@pytest.fixture(scope="module")
def address(small_shop):
    with screenshots.served(small_shop) as serving:
        yield serving


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(
            executable_path=screenshots.browser_path(), args=["--no-sandbox"]
        )
        # One tab for all, as at the counter: each of its own would make the frame's and the charts'
        # scripts ready again, more than half of all the work.
        yield opened.new_context().new_page()
        opened.close()


class _Watched:
    """The browser's page, with what was asked for and what went wrong since it was opened."""

    def __init__(self, page, width: int) -> None:
        self.page = page
        self.asked: list[str] = []
        self.errors: list[str] = []
        self._heard = {
            "request": lambda request: self.asked.append(request.url),
            "websocket": lambda socket: self.asked.append(socket.url),
            "pageerror": lambda error: self.errors.append(str(error)),
            "console": self._hear,
        }
        page.goto("about:blank")
        page.emulate_media(media="screen", color_scheme="light")
        page.set_viewport_size({"width": width, "height": 900})
        for event, hear in self._heard.items():
            page.on(event, hear)

    def leave(self) -> None:
        for event, hear in self._heard.items():
            self.page.remove_listener(event, hear)

    def _hear(self, said) -> None:
        # Opened below the root, the frame looks for its server there first and then at the root.
        looks_for_server = "/_stcore/" in said.location.get("url", "") and "404" in said.text
        if said.type == "error" and not looks_for_server:
            self.errors.append(f"{said.text} {said.location}")

    def open(self, url: str) -> None:
        self.page.goto(url)
        self.page.wait_for_function(screenshots.SETTLED, timeout=60_000)

    def hosts(self) -> set[str]:
        schemes = ("http", "https", "ws", "wss")
        return {urlsplit(url).hostname for url in self.asked if urlsplit(url).scheme in schemes}


@pytest.fixture
def watch(browser):
    """Open the page, watched, at a width; in a tab of its own where its history is counted."""
    opened = []

    def begin(width=1440, own_tab=False):
        opened.append(_Watched(browser.context.new_page() if own_tab else browser, width))
        return opened[-1]

    yield begin
    for one in opened:
        one.leave()
        if one.page is not browser:
            one.page.close()


IN_SMALL_SHOP = {"B-0059": "B-103", "J-0246": "J-0026", "B-0010": "B-103", "J-0108/1": "J-0026/2",
                 "J-0108": "J-0026"}  # fmt: skip
"""The bike with a stop and with names written to do harm, for those that the pictures show."""


def _path(name: str) -> str:
    path = screenshots.PAGES[name]
    for theirs, ours in IN_SMALL_SHOP.items():
        path = path.replace(theirs, ours)
    return path


LEAST_TARGET_PX = 44
"""A finger in a glove; WCAG 2.2 asks for this at level AAA (2.5.5) and for 24 px at AA (2.5.8)."""
# Left out: what lies in plotly's and the table's own frames, the anchor of a heading, and help.
PRESSED = """() => [...document.querySelectorAll('a, button, summary, input')]
    .filter(it => it.checkVisibility({opacityProperty: true, visibilityProperty: true})
        && !it.closest('[data-testid=stPlotlyChart], [data-testid=stDataFrame]')
        && !it.closest('[data-testid=stHeaderActionElements], [data-testid=stTooltipIcon]')
        && !it.closest('[data-testid=stHeader], [data-testid=stElementToolbar]')
        && !['hidden', 'file', 'checkbox', 'radio'].includes(it.type))
    .map(it => {
        // A field is pressed anywhere in its frame.
        const frame = it.closest('[data-testid=stTextInputRootElement],'
            + '[data-testid=stNumberInputContainer], [data-testid=stSelectbox] [role=group],'
            + '[data-testid=stDateInput] > div, [data-testid=stMultiSelect] [role=group]');
        const box = (frame ?? it).getBoundingClientRect();
        const name = it.innerText || it.ariaLabel || it.outerHTML;
        return [Math.round(box.height), name.slice(0, 80)];
    }).filter(([height]) => height > 1)"""


# Text below a figure that is wider than the box that holds it.
CUT_BELOW_FIGURES = """() => [...document.querySelectorAll('[data-testid=stMetricDelta]')]
    .flatMap(one => [one, ...one.querySelectorAll('*')])
    .filter(one => one.scrollWidth > one.clientWidth + 1 && one.clientWidth)
    .map(one => one.innerText)"""
GROUNDS = {"light": "rgb(251, 250, 247)", "dark": "rgb(20, 25, 28)"}


# Axe's rules that a page breaks through no fault of ours, and where: Streamlit lays its groups of
# pages into the list as `div`, which a list may not hold. Its links are read out all the same.
NOT_OURS = (("list", "stSidebarNav"), ("listitem", "stSidebarNav"))


def _serious(page) -> list[str]:
    """Return axe's serious and critical findings, without those that are Streamlit's own."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is missing")
    found = []
    for broken in axe.Axe().run(page).response["violations"]:
        if broken["impact"] not in ("serious", "critical"):
            continue
        homes = [home for rule, home in NOT_OURS if rule == broken["id"]]
        for node in broken["nodes"]:
            is_not_ours = any(
                page.locator(node["target"][0]).evaluate(
                    "(it, home) => it.closest(`[data-testid=${home}]`) !== null", home
                )
                for home in homes
            )
            if not is_not_ours:
                found.append(f"{broken['id']}: {node['html'][:200]}")
    return found


def _ground(page) -> str:
    app = page.get_by_test_id("stApp")
    return app.evaluate("it => getComputedStyle(it).backgroundColor")


@pytest.mark.parametrize("name", screenshots.PAGES)
def test_a_page_stands_by_itself_fits_the_screen_and_a_glove_and_can_be_read(name, address, watch):
    # Opened on a phone, then turned and pulled wide: one load tells of both.
    watched = watch(min(screenshots.WIDTHS_PX))
    page = watched.page
    watched.open(f"{address}/{_path(name)}")
    wrong = {"errors": page.get_by_test_id("stException").all_inner_texts()}
    # A page shows figures, leads to them, asks for the files that they come from, or says that
    # a shop of one day has no past yet.
    shown = ("stPlotlyChart", "stDataFrame", "stFileUploader", "stPageLink")
    shown += ("stAlert",) if name == "what-changed" else ()
    wrong["shows nothing"] = not any(page.get_by_test_id(one).count() for one in shown)
    wrong["low"] = [one for one in page.evaluate(PRESSED) if one[0] < LEAST_TARGET_PX]
    for width in sorted(screenshots.WIDTHS_PX):
        page.set_viewport_size({"width": width, "height": 900})
        for sheet in (
            "document.documentElement", "document.querySelector('[data-testid=stMain]')",
        ):  # fmt: skip
            # Charts take a moment to follow the width.
            page.wait_for_function(
                f"{sheet}.clientWidth <= {width} && {sheet}.scrollWidth <= {sheet}.clientWidth",
                timeout=10_000,
            )
    wrong["cut"] = page.evaluate(CUT_BELOW_FIGURES)
    # J-0026 of the small shop holds a file named ![x](http://example.invalid/x.png).
    wrong["led astray"] = page.locator(
        "img[src*='example.invalid'], a[href*='example.invalid']"
    ).count()
    assert _ground(page) == GROUNDS["light"]
    wrong |= {"serious": _serious(page), "heard": watched.errors}
    wrong["asked elsewhere"] = watched.hosts() - {"127.0.0.1"}
    # Told together: what is found first would hide the rest.
    assert {what: found for what, found in wrong.items() if found} == {}


IN_DARK = ("bike-gain", "latest-pull", "bring-in-a-job", "remap-need")
"""Alarms and tiles, the largest letters, a form, links and lists."""


@pytest.mark.parametrize(
    "name",
    [name if name in IN_DARK else pytest.param(name, marks=pytest.mark.long)
     for name in screenshots.PAGES],
)  # fmt: skip
def test_a_page_can_be_read_in_the_dark(name, address, watch):
    watched = watch()
    watched.page.emulate_media(color_scheme="dark")
    watched.open(f"{address}/{_path(name)}")
    assert _ground(watched.page) == GROUNDS["dark"]
    assert _serious(watched.page) == []


def test_a_choice_is_one_step_and_the_way_back_takes_it_back(address, watch):
    watched = watch(own_tab=True)  # a tab remembers 50 steps and no more
    watched.open(f"{address}/bike?bike=B-103&part=gain&stage=J-0026/2")
    page = watched.page
    steps = page.evaluate("history.length")
    page.get_by_label("Bike (type to search)").fill("B-203")
    page.keyboard.press("Enter")
    page.wait_for_url("**/bike?bike=B-203&part=gain")
    assert page.evaluate("history.length") == steps + 1
    page.go_back()
    page.wait_for_url(lambda url: "bike=B-103&part=gain&stage=" in url)
    page.wait_for_function(
        "[...document.querySelectorAll('input')]"
        ".some(it => it.value.startsWith('1 as arrived → 2 parts fitted'))"
    )
    assert watched.errors == []


def test_the_first_page_has_a_name_too_and_the_keyboard_alone_reaches_a_bike_from_it(
    address, watch
):
    watched = watch()
    watched.open(f"{address}/today")
    page = watched.page
    page.get_by_role("heading", name="What needs me today?").wait_for(timeout=20_000)
    assert page.get_by_text("Page not found").count() == 0
    for _ in range(60):
        page.keyboard.press("Tab")
        here = page.evaluate("document.activeElement.getAttribute('href') ?? ''")
        if "bike?bike=" in here:
            break
    width = page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
    assert width == "3px"
    page.keyboard.press("Enter")
    page.wait_for_url("**/bike?bike=*")
    page.get_by_test_id("stPlotlyChart").first.wait_for(timeout=20_000)


def test_a_stop_is_seen_without_scrolling_on_a_phone(address, watch):
    watched = watch(390)
    # The address of before leads on, with what it asked for.
    watched.open(f"{address}/before-and-after?bike=B-103&stage=J-0026/2")
    page = watched.page
    page.wait_for_url("**/bike?*part=gain*")
    assert "bike=B-103" in page.url
    alarm = page.get_by_test_id("stAlert").filter(has_text="STOP: 18 % lean at 7,000 rpm")
    box = alarm.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= 900


def test_a_range_dragged_over_the_picture_is_read_off_and_the_page_can_be_printed(address, watch):
    watched = watch()
    watched.open(f"{address}/bike?bike=B-103")
    page = watched.page
    # Plotly lays this sheet over the first panel to catch the pointer.
    panel = page.locator(".js-plotly-plot .nsewdrag").first.bounding_box()
    assert panel is not None
    assert panel["y"] + panel["height"] <= 900
    middle = panel["y"] + panel["height"] / 2
    page.mouse.move(panel["x"] + 0.4 * panel["width"], middle)
    page.mouse.down()
    page.mouse.move(panel["x"] + 0.7 * panel["width"], middle + 5, steps=5)
    page.mouse.up()
    page.get_by_text("No verdict.").wait_for(timeout=20_000)
    page.wait_for_url("**from=*to=*")
    assert watched.errors == []
    # Paper holds the page without its list and its buttons.
    page.emulate_media(media="print")
    for gone in ("stSidebar", "stDownloadButton", "stToolbar"):
        shown = page.get_by_test_id(gone).all()
        assert not [one for one in shown if one.is_visible()], gone
    assert page.get_by_test_id("stPlotlyChart").first.is_visible()
    assert page.get_by_text("As arrived").first.is_visible()


def test_an_open_page_follows_a_new_snapshot_by_itself(tmp_path, make_small_shop, watch):
    shop = make_small_shop(tmp_path / "shop", filled=False)
    watched = watch()
    with screenshots.served(shop) as address:
        watched.open(f"{address}/what-came-in")
        assert watched.page.get_by_text("No file has come in yet").is_visible()
        make_small_shop(shop, filled=True)
        watched.page.get_by_text("Snapshot 2, published").wait_for(timeout=20_000)
        watched.page.get_by_text("Files that need someone").wait_for(timeout=20_000)
        watched.page.goto("about:blank")
