"""A real browser against a real server: Playwright driving Debian's Chromium, at phone and desk size."""

import os
from pathlib import Path

import pytest

from gapvision.cli import main
from tests.browser._help import CHROMIUM, FLAGS, PHONE, Watched, start_server


def pytest_collection_modifyitems(items):
    """Slow, all of them; without a browser they are skipped, but never on CI."""
    for item in items:
        if Path(item.fspath).parent == Path(__file__).parent:
            item.add_marker(pytest.mark.slow)
            if CHROMIUM is None and not os.environ.get("CI"):
                item.add_marker(pytest.mark.skip(reason="no Chromium on this machine"))


@pytest.fixture(scope="session")
def server(tmp_path_factory):
    """The page on this machine only, opened where photos are measured: a test may have made a job before."""
    one = start_server(tmp_path_factory.mktemp("page"))
    one.url += "/?view=Measure"
    yield one
    one.process.terminate()
    one.process.wait(10)


@pytest.fixture(scope="session")
def shop(tmp_path_factory):
    """A page whose records hold the demo job."""
    folder = tmp_path_factory.mktemp("shop")
    assert main(["demo-job", "--data", str(folder / "data")]) == 0
    one = start_server(folder)
    yield one
    one.process.terminate()
    one.process.wait(10)


@pytest.fixture(scope="session")
def chromium():
    """The browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def visit(chromium):
    """Open pages that are watched; closed when the test ends."""
    contexts = []

    def go(url, size=PHONE, **more):
        context = chromium.new_context(**size, **more)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(30000)
        watched = Watched(page, context)
        own = ("http://localhost:", "http://127.0.0.1:", "data:", "blob:")
        page.on("request", lambda r: watched.outside.append(r.url) if not r.url.startswith(own) else None)
        page.on("console", lambda m: watched.errors.append(m.text) if m.type == "error" else None)
        page.on("pageerror", lambda e: watched.errors.append(str(e)))
        page.goto(url)
        return watched

    yield go
    for context in contexts:
        context.close()


@pytest.fixture
def shots():
    """Folder for screenshots: GAPVISION_SHOTS, or none."""
    folder = os.environ.get("GAPVISION_SHOTS")

    def take(watched, name):
        if folder:
            Path(folder).mkdir(parents=True, exist_ok=True)
            size = watched.page.viewport_size
            height = watched.page.evaluate(
                "(document.querySelector('[data-testid=stMain]') || document.body).scrollHeight"
            )
            watched.page.set_viewport_size({"width": size["width"], "height": min(height + 40, 6000)})
            watched.page.wait_for_timeout(400)
            watched.page.screenshot(path=f"{folder}/{name}.png")
            watched.page.set_viewport_size(size)

    return take


@pytest.fixture
def readme_picture():
    """Take a README picture as it is on screen: only where GAPVISION_PICTURES names the folder."""
    folder = os.environ.get("GAPVISION_PICTURES")

    def take(watched, name, top=None):
        if folder:
            if top is not None:
                watched.page.locator(top).first.evaluate("element => element.scrollIntoView({block: 'start'})")
            watched.page.wait_for_timeout(500)
            watched.page.screenshot(path=f"{folder}/{name}.png")

    return take
