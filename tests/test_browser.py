"""The page in a real browser, at a phone's and at a desktop's width: photos, result, save, trend, a lost connection.

Chromium is Debian's (`apt install chromium`), driven by Playwright. The page runs as a user starts it, in a process of
its own, with the real measuring core and real picture files.
"""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from qc import house
from qc.records import Store, open_store
from tests.page_scene import fill

pytestmark = pytest.mark.browser

expect.set_options(timeout=20_000)  # a busy machine answers late; what never comes fails all the same
SAMPLES = Path(__file__).parents[1] / "sample_images"
PHONE, DESKTOP = {"width": 390, "height": 844}, {"width": 1280, "height": 900}
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP shop.test 127.0.0.1",
]
MEASURING_MS = 90_000  # ms; a slow machine that runs other tests beside it


@dataclass(frozen=True)
class Shop:
    """A page that is being served, and its records."""

    port: int
    store: Store

    @property
    def url(self) -> str:
        return f"http://localhost:{self.port}"


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """The page as `cakeqc page` serves it."""
    folder = tmp_path_factory.mktemp("shop")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    database = f"sqlite:///{folder / 'cakes.db'}"
    command = [sys.executable, "-m", "qc.cli", "page", "--port", str(port), "--no-browser", "--database", database]
    with (folder / "log").open("w") as log:
        server = subprocess.Popen(command, env=os.environ | {"CAKEQC_DATA": str(folder)}, stdout=log, stderr=log)
    try:
        _wait_until_served(port, folder / "log")
        store = open_store(database)
        house.begin(store)  # what the first page that is opened does
        yield Shop(port, store)
        store.close()
    finally:
        server.terminate()
        server.wait(20)


def _wait_until_served(port: int, log: Path) -> None:
    for _ in range(120):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=2):
                return
        except OSError:
            time.sleep(0.5)
    raise AssertionError(f"the page did not start: {log.read_text()}")


@pytest.fixture(scope="module")
def browser():
    """Debian's chromium."""
    path = shutil.which("chromium")
    assert path, "the browser tests need Debian's chromium: apt install chromium"
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield opened
        opened.close()


def page_in(browser: Browser, size: dict[str, int]) -> Page:
    """A fresh browser window; touch where it is a phone's."""
    phone = size is PHONE
    context = browser.new_context(viewport=size, has_touch=phone, is_mobile=phone)
    page = context.new_page()
    page.set_default_timeout(20_000)
    return page


def sample() -> Path:
    """A folder of the sample cakes with a top and a side photo."""
    found = sorted(p.parent for p in SAMPLES.rglob("top.jpg") if (p.parent / "side.jpg").exists())
    assert found, "sample_images holds no cake with top.jpg and side.jpg"
    return found[0]


def choose(page: Page, label: str, option: str) -> None:
    """Pick an option of a list as a finger does."""
    page.get_by_role("combobox", name=label).click()
    page.get_by_role("option", name=option, exact=True).click()
    page.wait_for_timeout(500)


def send(page: Page, which: int, path: Path) -> None:
    """Hand a file to the top (0) or the side (1) photo's button."""
    page.locator(".choose input").nth(which).set_input_files(path)


def start_check(page: Page, url: str, decorator: str) -> None:
    """Open the page, add a decorator, choose the kind of cake."""
    page.goto(url)
    page.get_by_role("combobox", name="Decorator").fill(decorator)
    page.get_by_role("combobox", name="Decorator").press("Enter")
    expect(page.get_by_role("combobox", name="Decorator")).to_have_value(decorator)
    choose(page, "Kind of cake", "Cream cake 15 cm")
    page.locator(".shot").first.wait_for()
    page.wait_for_url(lambda url: "decorator=" in url and "kind=" in url)  # what was chosen has reached the address


def no_sideways_scrolling(page: Page) -> None:
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide <= 0, f"{wide} px hang over the edge"


@pytest.mark.parametrize(("size", "decorator"), [(PHONE, "Linde"), (DESKTOP, "Hasel")], ids=["phone", "desktop"])
def test_from_photos_to_the_record(shop, browser, size, decorator):
    page, folder, before = page_in(browser, size), sample(), shop.store.count()
    hosts = set()
    page.on("request", lambda request: hosts.add(urlsplit(request.url).hostname))
    start_check(page, shop.url, decorator)
    send(page, 0, folder / "top.jpg")
    expect(page.get_by_text("Usable")).to_be_visible()
    page.reload()  # what was sent is still there
    expect(page.get_by_text("Usable")).to_be_visible()
    send(page, 1, folder / "side.jpg")
    page.locator(".qc-banner").wait_for(timeout=MEASURING_MS)
    expect(page.locator(".qc-line").nth(9)).to_be_visible()
    expect(page.locator(".qc-banner")).to_be_in_viewport()
    no_sideways_scrolling(page)
    page.get_by_text("Passed").click()
    page.get_by_role("button", name="Save this check").click()
    expect(page.get_by_text("Saved as cake")).to_be_visible()
    assert shop.store.count() == before + 1
    saved = shop.store.checks(decorator=decorator)[0]
    assert saved.decision == "passed"
    page.goto(f"{shop.url}/cakes")
    page.get_by_role("button", name=f"{saved.id} · {decorator}").click()
    page.locator(".qc-banner").wait_for()
    expect(page.get_by_role("heading", name=f"Cake {saved.id}")).to_be_visible()
    no_sideways_scrolling(page)
    assert hosts <= {"localhost", None, ""}, f"the page asked others: {hosts}"


def test_a_trend_is_drawn(shop, browser):
    fill(shop.store, 12, "Iris")
    page = page_in(browser, PHONE)
    page.goto(f"{shop.url}/trends")
    choose(page, "Whose cakes", "Iris")
    expect(page.get_by_text("single cakes vary from")).to_be_visible()
    chart = page.locator("[data-testid=stVegaLiteChart] canvas, [data-testid=stVegaLiteChart] svg").first
    chart.wait_for(state="attached")
    no_sideways_scrolling(page)


def test_a_lost_connection_loses_no_photo(shop, browser):
    """The phone's network goes away while the photo is being sent; the page tries again by itself."""
    page, folder = page_in(browser, PHONE), sample()
    start_check(page, shop.url, "Malve")
    page.context.set_offline(True)
    send(page, 0, folder / "top.jpg")
    expect(page.get_by_text("The connection was lost, trying again")).to_be_visible()
    page.context.set_offline(False)
    expect(page.get_by_text("Usable")).to_be_visible(timeout=40_000)


def test_plain_http_in_the_shops_network(shop, browser):
    """By a name in the network and without https a browser gives a page no camera; files still go through."""
    page = page_in(browser, PHONE)
    start_check(page, f"http://shop.test:{shop.port}", "Nelke")
    assert page.evaluate("window.isSecureContext") is False
    send(page, 0, Path(__file__))
    expect(page.get_by_text("is no JPEG, PNG or HEIC photo")).to_be_visible()
    send(page, 0, sample() / "top.jpg")
    expect(page.get_by_text("Usable")).to_be_visible()


def test_another_sites_page_cannot_send_photos(shop, browser):
    page = page_in(browser, DESKTOP)
    page.goto(f"http://shop.test:{shop.port}")
    status = page.evaluate(
        "url => fetch(url, {method: 'POST', body: 'x', mode: 'no-cors'}).then(() => 'sent', () => 'refused')",
        f"{shop.url}/photo?name=top",
    )
    waiting = list(shop.store.photos.waiting.iterdir())
    assert status in ("sent", "refused")
    assert not any(file.read_bytes() == b"x" for file in waiting)


@pytest.mark.parametrize("path", ["cakes", "trends", "consistency", "standards", "setup", "cautions"])
def test_every_page_fits_a_phone(shop, browser, path):
    page = page_in(browser, PHONE)
    page.goto(f"{shop.url}/{path}")
    page.locator("h1").wait_for()
    page.wait_for_timeout(800)
    no_sideways_scrolling(page)
    assert page.get_by_test_id("stException").count() == 0
