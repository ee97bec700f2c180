"""The page in a real browser: live, honest when the link is lost, and the same with and without its script.

Pictures are kept in the folder that DUSTCAKE_PICTURES names, else in the test's own temporary folder.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect, sync_playwright

from service.web.server import WebServer
from tests.service.web.client import serving
from tests.service.web.house import MARKUP, TOKEN, FakeHouse, alarm, collector, house, limit, pressure

pytestmark = pytest.mark.browser
CHROMIUM = Path("/usr/bin/chromium")
ARGUMENTS = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
DESKTOP: ViewportSize = {"width": 1280, "height": 900}
PHONE: ViewportSize = {"width": 390, "height": 844}
NARROW: ViewportSize = {"width": 320, "height": 640}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if not CHROMIUM.exists():
        if os.environ.get("DUSTCAKE_NO_SKIP") == "1":
            pytest.fail(f"{CHROMIUM} is missing and DUSTCAKE_NO_SKIP forbids to skip")
        pytest.skip(f"{CHROMIUM} is missing")
    with sync_playwright() as playwright:
        yield playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)


@pytest.fixture
def owner() -> FakeHouse:
    return house()


@pytest.fixture
def server(owner: FakeHouse) -> Iterator[WebServer]:
    with serving(owner) as running:
        yield running


@pytest.fixture
def pictures(tmp_path: Path) -> Path:
    folder = Path(os.environ.get("DUSTCAKE_PICTURES", tmp_path))
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def opened(browser: Browser, server: WebServer, viewport: ViewportSize = DESKTOP, **options: Any) -> Page:
    """The page, opened by its link; anything that the console or the content policy complains of is kept in it."""
    page = browser.new_context(viewport=viewport, **options).new_page()
    page.set_default_timeout(20_000)
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.complaints = complaints  # type: ignore[attr-defined]
    page.goto(f"http://127.0.0.1:{server.port}/?key={TOKEN}")
    return page


def live(page: Page) -> Page:
    expect(page.locator("#link")).to_have_text("Live")
    return page


def no_complaint(page: Page) -> None:
    assert page.complaints == []  # type: ignore[attr-defined]


def overflow_px(page: Page) -> int:
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


def words(page: Page) -> str:
    """The text of the live part, without regard to white space."""
    return re.sub(r"\s+", " ", page.locator("#live").inner_text())


def test_the_page_shows_collectors_by_need_and_the_key_is_not_in_the_address_bar(
    browser: Browser, server: WebServer
) -> None:
    page = live(opened(browser, server))
    assert page.url == f"http://127.0.0.1:{server.port}/"
    expect(page.locator("article h2")).to_have_text([f"Cutting hall {number}" for number in (2, 3, 4, 6, 1, 5)])
    expect(page.locator("article").nth(1)).to_contain_text("counted 2 h 10 min of 4 h")
    expect(page.get_by_text("not a safety function")).to_be_visible()
    no_complaint(page)


def test_an_alarm_appears_live_and_is_announced_once(browser: Browser, owner: FakeHouse, server: WebServer) -> None:
    page = live(opened(browser, server))
    expect(page.locator("li.alarm")).to_have_count(1)
    expect(page.locator("#said")).to_have_text("")
    loud = collector(1, "alarm", pressure(6.7, limit("high", 6.0, "active")))
    before = owner.overview()
    owner.change(
        alarms=[*before.alarms, alarm(1, "high", "a2")],
        collectors=[loud if one.id == loud.id else one for one in before.collectors],
    )
    expect(page.locator("li.alarm")).to_have_count(2)
    expect(page.locator("article").first).to_contain_text("Cutting hall 1")
    expect(page.locator("#said")).to_have_text(
        "New alarm: Differential pressure high, Cutting hall 1 (quay/cutting/dc-1)"
    )
    no_complaint(page)


def test_a_lost_connection_is_said_across_the_top_and_marks_every_value(
    browser: Browser, owner: FakeHouse, pictures: Path
) -> None:
    with serving(owner) as server:
        page = live(opened(browser, server))
    banner = page.locator("#lost")
    expect(banner).to_be_visible()
    expect(banner).to_contain_text("Connection lost")
    expect(banner).to_contain_text("no longer live: they are from 25 Nov 2026 08:00:10 GMT")
    marks = page.locator(".reading").evaluate_all("all => all.map(one => getComputedStyle(one, '::after').content)")
    assert marks == ['"no longer live"'] * page.locator(".value").count()
    page.screenshot(path=pictures / "lost.png", full_page=True)


def test_the_page_recovers_when_the_service_comes_back(browser: Browser, owner: FakeHouse) -> None:
    with serving(owner) as server:
        page = live(opened(browser, server))
    expect(page.locator("#lost")).to_be_visible()
    again = WebServer(owner, "127.0.0.1", server.port, TOKEN, ["127.0.0.1"])
    again.start()
    try:
        live(page)
        expect(page.locator("#lost")).to_be_hidden()
    finally:
        again.stop(10)


def test_the_first_render_and_the_script_say_the_same(browser: Browser, owner: FakeHouse, server: WebServer) -> None:
    owner.change(quarantine={"unit-refused": 12, "message-invalid": 3})
    plain = opened(browser, server, java_script_enabled=False)
    assert words(plain) == words(live(opened(browser, server)))
    assert "quay/cutting/dc-4" in words(plain)
    assert "12 unit-refused 3 message-invalid" in words(plain)


def test_hostile_names_stay_text(browser: Browser, owner: FakeHouse, server: WebServer) -> None:
    page = live(opened(browser, server))
    hostile = replace(collector(1, "quiet", pressure(1.0)), name=MARKUP, kind=MARKUP, gateway=MARKUP, id=MARKUP)
    owner.change(enterprise=MARKUP, collectors=[hostile], counts={MARKUP: 1})
    expect(page.locator("h1")).to_have_text(MARKUP)
    expect(page.locator("article h2")).to_have_text(MARKUP)
    assert page.locator("#live img").count() == 0
    page.reload()
    expect(page.locator("h1")).to_have_text(MARKUP)
    no_complaint(page)


def test_focus_survives_an_update(browser: Browser, owner: FakeHouse, server: WebServer) -> None:
    page = live(opened(browser, server))
    target = page.locator("nav a").nth(2)
    target.focus()
    owner.change(enterprise="Renamed")
    expect(page.locator("h1")).to_have_text("Renamed")
    expect(target).to_be_focused()


def test_everything_can_be_reached_by_keyboard(browser: Browser, server: WebServer) -> None:
    page = live(opened(browser, server))
    page.keyboard.press("Tab")
    expect(page.get_by_text("To the collectors")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#board")).to_be_focused()
    page.keyboard.press("Tab")
    expect(page.get_by_text("More cautions")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_text("says nothing about ignition hazards")).to_be_visible()


@pytest.mark.parametrize("viewport", [NARROW, PHONE, DESKTOP, {"width": 3840, "height": 2160}])
def test_no_width_scrolls_sideways_and_targets_suit_a_glove(
    browser: Browser, server: WebServer, viewport: ViewportSize
) -> None:
    page = live(opened(browser, server, viewport))
    assert overflow_px(page) == 0
    for target in (*page.locator("nav a").all(), page.locator("summary")):
        box = target.bounding_box()
        assert box is not None
        assert box["height"] >= 44  # px, the larger target size of WCAG 2.x, from memory


def test_states_differ_by_more_than_colour(browser: Browser, server: WebServer) -> None:
    """Each need has its own word, its own border style or width, and its own mark (WCAG 1.4.1, from memory)."""
    page = live(opened(browser, server))
    looks = page.locator("article").evaluate_all(
        """all => all.map(one => {
        const style = getComputedStyle(one), mark = getComputedStyle(one.querySelector('.mark'));
        return [one.dataset.need, one.querySelector('.need').textContent, style.borderTopStyle + style.borderTopWidth,
        mark.clipPath + mark.borderTopStyle + mark.borderTopLeftRadius + mark.height].join('|') })"""
    )
    distinct = set(looks)
    assert len(distinct) == 4
    for part in range(4):
        assert len({look.split("|")[part] for look in distinct}) == 4


@pytest.mark.parametrize(
    ("name", "viewport", "scheme"),
    [
        ("desktop", DESKTOP, "light"),
        ("desktop-dark", DESKTOP, "dark"),
        ("phone", PHONE, "light"),
        ("phone-dark", PHONE, "dark"),
    ],
)
def test_pictures_for_the_eye(
    browser: Browser, server: WebServer, pictures: Path, *, name: str, viewport: ViewportSize, scheme: str
) -> None:
    page = live(opened(browser, server, viewport, color_scheme=scheme))
    page.screenshot(path=pictures / f"{name}.png", full_page=True)
    page.emulate_media(forced_colors="active")
    page.screenshot(path=pictures / f"{name}-forced.png", full_page=True)
    assert (pictures / f"{name}.png").stat().st_size > 10_000
    no_complaint(page)


def test_a_visit_without_the_key_says_how_to_open_the_page(browser: Browser, server: WebServer, pictures: Path) -> None:
    page = browser.new_context(viewport=PHONE).new_page()
    page.goto(f"http://127.0.0.1:{server.port}/")
    expect(page.locator("code")).to_have_text("dustcake status")
    assert "Cutting" not in page.content()
    page.screenshot(path=pictures / "locked.png")
