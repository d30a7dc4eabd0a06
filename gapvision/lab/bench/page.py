"""How fast the page is: ``python -m gapvision.lab.bench.page [speed] [tasks]`` drives a real browser and prints times,
memory, and the taps of a day's tasks.

Needs the test extra (Playwright) and a Chromium.  Times are for the machine at hand,
browser included; the targets are the ones the page was built for, on two cores.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path
from typing import Any

from gapvision.lab import SAMPLE_IMAGES

_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
]
_PROFILE = ".gv-chart .gv-line"
_PEOPLE = 10


def main() -> int:
    """Run all parts and print a table; 1 when a target was missed."""
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        sys.stderr.write("No Chromium was found; install it first.\n")
        return 2
    parts = sys.argv[1:] or ["speed", "tasks"]
    rows: list[tuple[str, float, str, float]] = []
    told: list[tuple[str, int, float]] = []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=_FLAGS)
        if "speed" in parts:
            rows = _speed(browser)
        if "tasks" in parts:
            told = _tasks(browser)
        browser.close()
    missed = False
    for name, value, unit, target in rows:
        if unit == "":
            good = value >= target
        else:
            good = not value > target
        missed |= not good
        aim = "" if target != target else f"target {target:g} {unit}".strip() + ("" if good else ", MISSED")
        print(f"{name:<66} {value:7.2f} {unit:<3} {aim}")
    for task, taps, seconds in told:
        print(f"{task:<66} {taps:4} taps {seconds:7.1f} s")
    return int(missed)


def _speed(browser: Any) -> list[tuple[str, float, str, float]]:
    """What is timed: in words, the figure, its unit, its target."""
    none, rows = float("nan"), []
    with tempfile.TemporaryDirectory() as folder, _server(Path(folder)) as (url, process, up_s):
        rows.append(("server answers after its start", up_s, "s", none))
        page, first = _open(browser, url)
        rows.append(("first page with its profile, after the server is up", first, "s", 2.0))
        kept = _quick_check(page, url)
        rows.append(("12-megapixel photo by the plain form: kept and checked, median of 3", kept, "s", 1.0))
        rows.append(("end of a 12-megapixel upload to its profile, median of 3", _uploads(page), "s", 2.5))
        rows.append(("new tolerance redrawn, median of 8", _tolerance(page), "s", 0.3))
        one, three = _sets(page)
        rows.append(("one photo of 4 megapixels of a set, chosen, to its verdict, median of 3", one, "s", none))
        rows.append(("a third photo joined, to the verdict of all three, median of 3", three, "s", 2.5 * one))
        page.context.close()
        verdict, plot = _slow_line(browser, url)
        rows.append(("the sample's verdict on a line of 50 kB/s, nothing kept", verdict, "s", 25.0))
        rows.append(("... its plot", plot, "s", none))
        everyone, slowest = _people(browser, url)
        rows.append((f"{_PEOPLE} people upload at once: all have their profile after", slowest, "s", none))
        rows.append((f"... of {_PEOPLE} people, with their profile", float(everyone), "", float(_PEOPLE)))
        rows.append(("most memory of the server", _peak_gb(process.pid), "GB", 2.5))
    return rows


@contextlib.contextmanager
def _server(folder: Path) -> Any:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {**os.environ, "GAPVISION_DATA": str(folder / "data")}
    command = [sys.executable, "-m", "gapvision", "page", "--no-browser", "--port", str(port)]
    begun = time.monotonic()
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(command, env=environment, stdout=log, stderr=subprocess.STDOUT)
    try:
        while time.monotonic() - begun < 60:
            with (
                contextlib.suppress(OSError),
                urllib.request.urlopen(f"http://localhost:{port}/_stcore/health", timeout=1),
            ):
                break
            time.sleep(0.02)
        yield f"http://localhost:{port}", process, time.monotonic() - begun
    finally:
        process.terminate()
        process.wait(10)


def _open(browser: Any, url: str) -> tuple[Any, float]:
    page = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
    page.set_default_timeout(120000)
    begun = time.monotonic()
    page.goto(url)
    page.wait_for_selector(_PROFILE, state="attached")
    return page, time.monotonic() - begun


def _photo(number: int) -> bytes:
    """A sample of 12 megapixels, with other bytes each time, so that nothing is remembered."""
    return (SAMPLE_IMAGES / "backlit_bonnet_gap.jpg").read_bytes() + f"copy {number}".encode()


def _give(page: Any, number: int) -> None:
    file = {"name": f"photo{number}.jpg", "mimeType": "image/jpeg", "buffer": _photo(number)}
    page.set_input_files("input[type=file]", file)


def _wait_for(page: Any, number: int) -> None:
    """The profile of this very photo is on screen: its name is in the photo's label."""
    page.wait_for_selector(f".gv-photo[aria-label*='photo{number}.jpg']")
    page.wait_for_selector(_PROFILE, state="attached")


def _quick_check(page: Any, url: str) -> float:
    """Time from sending a photo by the plain form until it is said whether it will do."""
    times = []
    for number in range(50, 53):
        file = {"name": f"photo{number}.jpg", "mimeType": "image/jpeg", "buffer": _photo(number)}
        begun = time.monotonic()
        answer = page.context.request.post(
            f"{url}/take?ticket={'k' * 20}", multipart={"photos": file}, headers={"Accept": "application/json"}
        )
        times.append(time.monotonic() - begun)
        if answer.json()["said"] != "photo will do":
            raise RuntimeError(f"the quick check said: {answer.text()}")
    return statistics.median(times)


def _uploads(page: Any) -> float:
    times = []
    for number in range(3):
        ended: list[float] = []
        page.once("requestfinished", lambda _request, ended=ended: ended.append(time.monotonic()))
        with page.expect_response(lambda r: "upload_file" in r.url and r.request.method == "PUT"):
            _give(page, number)
        begun = time.monotonic()
        _wait_for(page, number)
        times.append(time.monotonic() - begun)
    return statistics.median(times)


def _tolerance(page: Any) -> float:
    """Time from Enter to the new distance to the limit, seen in the browser itself."""
    times = []
    page.locator("summary", has_text="What is wanted").click()
    for k in range(8):
        field = page.get_by_role("textbox", name="Tolerance, either way")
        field.fill(f"{0.5 + 0.05 * (k + 1):.2f}mm")
        before = page.locator(".gv-verdict").first.inner_text()
        begun = time.monotonic()
        field.press("Enter")
        while page.locator(".gv-verdict").first.inner_text() == before:
            if time.monotonic() - begun > 20:
                raise RuntimeError("the verdict was not told anew")
        times.append(time.monotonic() - begun)
    return statistics.median(times)


def _sets(page: Any) -> tuple[float, float]:
    """Time from the last tap to the verdict: of one photo of a shipped set, and of all three together."""
    shipped = SAMPLE_IMAGES.parent / "gapvision" / "samples"
    alone, together = [], []
    for k in range(3):
        files = [
            {"name": f"{k}{n}.jpg", "mimeType": "image/jpeg", "buffer": path.read_bytes() + f"set {k}".encode()}
            for n, path in enumerate(sorted(shipped.glob("left_door_3*.jpg")))
        ]
        begun = time.monotonic()
        page.set_input_files("input[type=file]", files[:1])
        page.wait_for_selector(f".gv-photo[aria-label*='{k}0.jpg']")
        alone.append(time.monotonic() - begun)
        page.set_input_files("input[type=file]", files[1:])
        page.wait_for_selector(f".gv-photo[aria-label*='{k}2.jpg']")
        into = page.locator(".strip fieldset", has=page.get_by_label(f"Move {k}0.jpg", exact=True)).first
        into.wait_for()
        page.get_by_role("button", name="They show one seam").click()
        page.locator(".gv-verdict", has_text="2 photos together").wait_for()
        moved, pair = page.get_by_label(f"Move {k}0.jpg", exact=True), f"to {k}1.jpg and 1 more"
        moved.locator("option", has_text=pair).wait_for(state="attached")  # the strip is drawn after the verdict
        begun = time.monotonic()
        moved.select_option(label=pair)
        page.locator(".gv-verdict", has_text="3 photos together").wait_for()
        together.append(time.monotonic() - begun)
    return statistics.median(alone), statistics.median(together)


def _slow_line(browser: Any, url: str) -> tuple[float, float]:
    """Seconds to the sample's verdict and plot on a line of 50 kB/s and 40 ms, by the browser's own throttle."""
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.set_default_timeout(120000)
    line = context.new_cdp_session(page)
    line.send("Network.enable")
    slow = {"offline": False, "latency": 40, "downloadThroughput": 50_000, "uploadThroughput": 50_000}
    line.send("Network.emulateNetworkConditions", slow)
    begun = time.monotonic()
    page.goto(url, wait_until="commit")
    page.wait_for_selector(".gv-verdict")
    verdict = time.monotonic() - begun
    page.wait_for_selector(_PROFILE, state="attached")
    plot = time.monotonic() - begun
    context.close()
    return verdict, plot


def _people(browser: Any, url: str) -> tuple[int, float]:
    pages = [_open(browser, url)[0] for _ in range(_PEOPLE)]
    begun = time.monotonic()
    for k, page in enumerate(pages):
        _give(page, 100 + k)
    done = 0
    for k, page in enumerate(pages):
        _wait_for(page, 100 + k)
        done += 1
    slowest = time.monotonic() - begun
    for page in pages:
        page.context.close()
    return done, slowest


def _tasks(browser: Any) -> list[tuple[str, int, float]]:
    """Taps and seconds of the day's tasks at phone size, from the car of the demo job; a shutter is no tap."""
    shipped = SAMPLE_IMAGES.parent / "gapvision" / "samples"
    photos = [shipped / f"rear_boot_lid_1{more}.jpg" for more in ("", "_lean1", "_lean2")]
    with tempfile.TemporaryDirectory() as folder:
        made = [sys.executable, "-m", "gapvision", "demo-job", "--data", f"{folder}/data"]
        subprocess.run(made, check=True, capture_output=True)
        with _server(Path(folder)) as (url, _, _):
            done = []
            for task, work in (
                ("the worst seam of the car", _find_worst),
                ("one seam just measured, nothing kept", lambda page: _just_measure(page, photos[0])),
                ("one seam photographed, its answer known and kept", lambda page: _photograph(page, photos[:1])),
                ("the same with three photos", lambda page: _photograph(page, photos)),
                ("what to do, the card on screen", _work_card),
                ("... the work card printed", lambda page: _work_card(page) + _taken(page, "Work card, PDF")),
                ("what to do to one edge, its template printed", _template),
                ("the report handed over", lambda page: _taken(page, "Report for the customer, PDF")),
            ):
                page = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
                page.set_default_timeout(120000)
                begun = time.monotonic()
                page.goto(url)
                page.locator(".car button").first.wait_for()
                if work is not _find_worst:
                    page.wait_for_timeout(1000)
                    begun = time.monotonic()
                taps = work(page)
                done.append((task, taps, time.monotonic() - begun))
                page.context.close()
    return done


def _find_worst(page: Any) -> int:
    page.locator(".gv-verdict", has_text="Worst: ").wait_for()
    return 0


def _just_measure(page: Any, photo: Path) -> int:
    page.get_by_role("button", name="Just measure").click()
    page.locator("input[type=file]").wait_for(state="attached")
    data = photo.read_bytes() + f"{time.monotonic()}".encode()
    page.set_input_files("input[type=file]", {"name": "own.jpg", "mimeType": "image/jpeg", "buffer": data})
    page.wait_for_selector(".gv-photo[aria-label*='own.jpg']")
    page.locator(".gv-verdict").first.wait_for()
    return 2


def _photograph(page: Any, photos: list[Path]) -> int:
    """A seam chosen, the camera's page, its button; photos of their own bytes each time."""
    page.get_by_role("button", name="left bonnet, side").click()
    page.get_by_role("link", name="Photograph it again").click()
    mark = f"task {time.monotonic()}".encode()
    files = [{"name": p.name, "mimeType": "image/jpeg", "buffer": p.read_bytes() + mark} for p in photos]
    page.set_input_files("input[type=file]", files)
    page.get_by_text("Saved by itself" + (f": {len(photos)} photos" if photos[1:] else "")).wait_for()
    return 3


def _work_card(page: Any) -> int:
    page.get_by_role("button", name="Next: what to do about").click()
    page.locator(".gv-card").wait_for()
    return 1


def _template(page: Any) -> int:
    taps = _work_card(page)
    page.get_by_text("panel B's edge", exact=True).click()
    page.locator(".gv-card", has_text="Edge of panel B").wait_for()
    return taps + 1 + _taken(page, "Template, A4")


def _taken(page: Any, name: str) -> int:
    with page.expect_download():
        page.get_by_role("button", name=name).click()
    return 1


def _peak_gb(pid: int) -> float:
    """Largest resident memory of a process so far (Linux) [GB]."""
    try:
        text = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return float("nan")
    line = next(x for x in text.splitlines() if x.startswith("VmHWM"))
    return float(line.split()[1]) * 1024 / 1e9


if __name__ == "__main__":
    raise SystemExit(main())
