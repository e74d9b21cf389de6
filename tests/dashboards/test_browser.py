"""The pages in a real browser: on a desk and on a phone, with no other host to ask."""

import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs, urlparse

import pytest

from tests.dashboards.conftest import NASTY

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is found on the path"),
]

DESK, PHONE = (1280, 900), (390, 844)
CHART = "chart?product=camera+window&spec=camera+window&requirement=mean&per=coating_run"
MEAN = "spec=camera+window&requirement=mean"
CHECK_PIECE = (
    "instruments?instrument=bench+A&programme=bench+A%2C+ultraviolet+and+visible&check=check+piece"
)
WAIT_MS = 20_000


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        yield opened
        opened.close()


@dataclass
class Visit:
    """An open page, with everything that went wrong in it."""

    page: Any
    url: str
    errors: list[str] = field(default_factory=list)
    elsewhere: list[str] = field(default_factory=list)

    def go(self, address: str) -> None:
        self.page.goto(self.url + address)
        self.page.wait_for_selector("h1")

    def wait_for(self, selector: str) -> Any:
        return self.page.wait_for_selector(selector, timeout=WAIT_MS)

    def says(self, text: str) -> bool:
        """Whether a text is seen, inside live parts too."""
        found = self.page.get_by_text(text)
        return any(found.nth(i).is_visible() for i in range(found.count()))

    def asked(self) -> dict[str, list[str]]:
        return parse_qs(urlparse(self.page.url).query)


@pytest.fixture
def visit(browser, pages, request) -> Iterator[Visit]:
    width, height = getattr(request, "param", DESK)
    page = browser.new_page(viewport={"width": width, "height": height})
    found = Visit(page, pages.url)
    page.on("pageerror", lambda error: found.errors.append(str(error)))
    page.on(
        "console",
        lambda said: found.errors.append(said.text) if said.type == "error" else None,
    )
    page.on("request", lambda asked: found.elsewhere.append(asked.url))
    yield found
    page.close()
    host = urlparse(pages.url).netloc
    outside = [url for url in found.elsewhere if urlparse(url).netloc not in ("", host)]
    assert outside == []
    assert found.errors == []


def ids_of(archive, **query) -> list[str]:
    return archive.find(**query)["measurement_id"].to_list()


def shown(archive, address: str) -> str:
    """Address with the identifiers of some panels and of one window put in."""
    panels = ",".join(ids_of(archive, product="cover panel", limit=3))
    (window,) = ids_of(archive, product="camera window", limit=1)
    refused = archive.files(outcome="refused")["file_id"][0]
    spec = archive.specification("camera window, in-house").version
    return address.format(panels=panels, window=window, refused=refused, spec=spec)


@pytest.mark.parametrize("visit", [DESK, PHONE], indirect=True, ids=["desk", "phone"])
@pytest.mark.parametrize(
    ("address", "wait", "said"),
    [
        ("", "table", "measurements found"),
        ("search?product=camera+window&outcome=pass", "table", "Overlay the chosen"),
        ("overlay?ids={panels}", "canvas", "3 spectra"),
        ("overlay?product=camera+window", "canvas", "Limits in the picture"),
        ("overlay?ids={panels}&minus={panels:.32}", "canvas", "3 spectra"),
        ("chart", "h2", "cover panel"),
        (CHART, "canvas", "control limits"),
        ("bench", "h2", "bench A"),
        ("intake", "h2", "Folders"),
        ("intake?outcome=refused", "text=Expected:", "Found:"),
        ("specs", "table", "Compare two"),
        ("specs?what_if={spec}", ".count", "would change outcome"),
        ("mend", "h1", "Refused files"),
        ("mend?file={refused}", "textarea", "What it reads"),
        ("measurement?id={window}", "canvas", "Header as read"),
        (f"measurement?id={{window}}&{MEAN}", "canvas", "Back to the whole measurement"),
        ("instruments", "h2", "Standards"),
        ("instruments?instrument=bench+A", "canvas", "Write into the log"),
        (CHECK_PIECE, "canvas", "control limits"),
        ("compare", "form", "Second"),
        ("lot", "table", "camera window"),
        ("lot?lot=CW101", "table", "Parts, the worst first"),
        ("search?since=someday", "[role=alert]", "expected a date such as 2026-11-25"),
    ],
)
def test_every_page_is_whole_on_a_desk_and_on_a_phone(visit, archive, address, wait, said):
    visit.go(shown(archive, address))
    visit.wait_for(wait)
    visit.page.wait_for_timeout(500)
    assert visit.says(said)
    assert visit.says("All data on this page are invented.")
    width = visit.page.evaluate(
        "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    assert width == 0


def test_from_a_search_to_an_overlay_to_a_measurement(visit):
    visit.go("search")
    visit.page.select_option("select[name=product]", "cover panel")
    with visit.page.expect_navigation():
        visit.page.click("form[role=search] button")
    visit.wait_for("input[name=ids]")
    assert visit.asked()["product"] == ["cover panel"]
    boxes = visit.page.locator("input[name=ids]")
    chosen = [boxes.nth(i).get_attribute("value") for i in (0, 2)]
    for i in (0, 2):
        boxes.nth(i).check()
    visit.page.click("text=Overlay the chosen")
    visit.wait_for("canvas")
    assert visit.asked()["ids"] == chosen
    assert visit.says("2 spectra")
    visit.page.locator("table a").first.click()
    visit.wait_for("text=Where it came from")
    assert visit.asked()["id"] == chosen[:1]


def test_from_a_refused_file_to_its_format_and_what_that_reads(visit):
    visit.go("intake?outcome=refused")
    visit.wait_for("text=Look into it").click()
    visit.wait_for("textarea")
    editor = visit.page.locator("textarea")
    written = editor.input_value()
    assert written.startswith("description = ")
    read = visit.page.get_by_role("button", name="Read the file with this text")
    editor.fill("[text]\n")
    visit.page.keyboard.press("Tab")
    visit.page.keyboard.press("Enter")
    visit.wait_for("text=this key, which is required")
    editor.fill(written)
    visit.page.keyboard.press("Tab")
    read.click()
    visit.wait_for("text=It reads nothing from this file.")
    assert visit.says("refused here")
    assert visit.page.get_by_role("button", name="Save the format").is_enabled()


def test_an_address_reproduces_its_search_in_another_browser(visit, browser):
    visit.go("search?product=camera+window&order=by+sample&page=2")
    visit.wait_for("table")
    other = browser.new_page()
    other.goto(visit.page.url)
    assert other.input_value("select[name=product]") == "camera window"
    assert other.input_value("select[name=order]") == "by sample"
    rows = "main table a"
    assert other.locator(rows).all_inner_texts() == visit.page.locator(rows).all_inner_texts()
    other.close()


def test_going_back_shows_the_search_as_it_was(visit):
    visit.go("search?product=cover+panel")
    visit.page.locator("table a").first.click()
    visit.wait_for("text=Where it came from")
    visit.page.go_back()
    visit.wait_for("input[name=ids]")
    assert visit.page.input_value("select[name=product]") == "cover panel"


def test_a_click_on_a_point_of_the_chart_opens_its_measurement(visit):
    visit.go(CHART)
    visit.wait_for("canvas")
    visit.page.wait_for_timeout(1500)
    x, y = visit.page.evaluate(POINT_ON_SCREEN, ["Scatter", "circle"])
    visit.page.mouse.click(x, y)
    visit.page.wait_for_url("**/measurement?id=*", timeout=WAIT_MS)
    assert len(visit.asked()["id"][0]) == 32


# where on the screen the middle one of the points of a glyph stands
POINT_ON_SCREEN = """([type, marker]) => {
  const figure = [...Bokeh.documents[0]._all_models.values()].find((m) => m.type === "Figure")
  const view = Bokeh.index.find_one(figure)
  const drawn = [...view.renderer_views.values()].find((v) => v.model.glyph?.type === type
    && (marker === null || v.model.glyph.marker?.value === marker))
  const middle = Math.floor(drawn.glyph.sx.length / 2)
  const box = view.canvas_view.el.getBoundingClientRect()
  return [box.left + drawn.glyph.sx[middle], box.top + drawn.glyph.sy[middle]]
}"""


def test_a_hostile_name_stays_text_in_the_tooltip_of_a_curve(visit, archive):
    visit.go(f"overlay?ids={ids_of(archive, serial=NASTY)[0]}")
    visit.wait_for("canvas")
    visit.page.wait_for_timeout(1500)
    x, y = visit.page.evaluate(POINT_ON_SCREEN, ["Line", None])
    visit.page.mouse.move(x - 30, y - 30)
    visit.page.mouse.move(x, y, steps=10)
    tip = visit.page.locator(".bk-tooltip-row-value").filter(has_text=NASTY)
    assert tip.first.inner_text().startswith(NASTY)
    assert visit.page.title() != "1"


def test_the_bench_shows_a_new_scan_by_itself(visit, archive):
    visit.go("bench?instrument=bench+A")
    visit.wait_for("h2")
    before = ids_of(archive, instrument="bench A", limit=1)
    archive.assign(before, {"serial": "SEEN-1"}, who="operator", why="to see the page renew itself")
    visit.wait_for("text=SEEN-1")
