"""Tools of the browser tests: the server, a watched page, sizes of screens."""

import contextlib
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
ROOT = Path(__file__).parents[2]
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True, "device_scale_factor": 2}
DESK = {"viewport": {"width": 1280, "height": 900}}


@dataclass
class Server:
    """A running page."""

    url: str
    data: Path
    log: Path
    process: subprocess.Popen
    started_s: float = 0.0


def start_server(folder, *more, health=True):
    """Start ``gapvision page`` on a free port and wait until it answers."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    log = folder / "server.log"
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "GAPVISION_DATA": str(folder / "data")}
    command = [sys.executable, "-m", "gapvision", "page", "--no-browser", "--port", str(port), *more]
    begun = time.monotonic()
    with log.open("w") as said:
        process = subprocess.Popen(command, env=environment, stdout=said, stderr=subprocess.STDOUT, cwd=folder)
    url = f"http://localhost:{port}"
    for _ in range(600):
        with contextlib.suppress(OSError):
            try:
                urllib.request.urlopen(f"{url}/_stcore/health", timeout=1).close()
            except urllib.error.HTTPError:
                if health:  # behind the passcode any answer will do
                    continue
            return Server(url, folder / "data", log, process, time.monotonic() - begun)
        if process.poll() is not None:
            break
        time.sleep(0.1)
    raise RuntimeError(f"the server did not start:\n{log.read_text()}")


@dataclass
class Watched:
    """A page whose requests and console are watched."""

    page: object
    context: object
    outside: list = field(default_factory=list)
    errors: list = field(default_factory=list)

    def fine(self):
        """No request left the machine, and the console has no error."""
        assert self.outside == []
        assert self.errors == []

    def measured(self, timeout=30000):
        """Wait until a profile is on screen."""
        self.page.wait_for_selector(".gv-chart .gv-line", state="attached", timeout=timeout)

    def settled(self):
        """Wait until the script has run to its end."""
        self.page.wait_for_timeout(250)
        self.page.wait_for_function(
            "() => !document.querySelector('[data-testid=\"stApp\"]') ||"
            " document.querySelector('[data-testid=\"stApp\"]').getAttribute('data-test-script-state') !== 'running'",
            timeout=30000,
        )

    def view(self, name):
        """Choose a view."""
        self.page.get_by_test_id("stButtonGroup").first.get_by_text(name, exact=True).click()
        if name != "Measure":  # whose heading says what is measured
            self.page.get_by_role("heading", name=name, level=1).wait_for()
        self.settled()

    def unfold(self, label):
        """Open the box whose label has these words, if it is closed."""
        box = self.page.locator("details").filter(has=self.page.locator("summary", has_text=label)).first
        if box.get_attribute("open") is None:
            box.locator("summary").click()
            self.settled()

    def tools(self):
        """Open the tools under photo and plot."""
        more = self.page.get_by_role("button", name="More", exact=True)
        if more.get_attribute("aria-expanded") == "false":
            more.click()
