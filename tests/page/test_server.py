"""The server's settings: the same in both places, nothing leaves the machine, uploads are limited."""

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from gapvision.commands.page import free_port, own_address
from gapvision.page.drawings import _FOR_CODE, drawing_for
from gapvision.page.server import CONFIG

ROOT = Path(__file__).parents[2]


def flat(table, before=""):
    for key, value in table.items():
        if isinstance(value, dict):
            yield from flat(value, f"{before}{key}.")
        else:
            yield f"{before}{key}", value


def test_config_file_and_program_agree():
    given = dict(flat(tomllib.loads((ROOT / ".streamlit" / "config.toml").read_text())))
    assert given.pop("server.address") == "127.0.0.1"
    assert given == CONFIG


def test_telemetry_off_cross_site_protection_on_uploads_limited():
    assert CONFIG["browser.gatherUsageStats"] is False
    assert CONFIG["server.enableXsrfProtection"] is True
    assert CONFIG["server.enableCORS"] is True
    assert CONFIG["server.maxUploadSize"] == 60
    assert CONFIG["client.showErrorDetails"] == "none"
    assert CONFIG["client.allowedOrigins"] == [], "no site outside may send it messages"


@pytest.mark.parametrize(
    "file", [p for name in ("car", "viewer") for p in sorted((ROOT / "gapvision/page").glob(f"{name}.*"))],
    ids=lambda p: p.name,
)  # fmt: skip
def test_viewer_fetches_nothing_from_outside(file):
    text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
    assert "http" not in text
    assert "//cdn" not in text


def test_every_measuring_code_has_a_drawing_and_no_code_is_unknown():
    from gapvision.codes import CODES

    assert set(_FOR_CODE) <= set(CODES)
    assert all(drawing_for(code).startswith("<img") for code in _FOR_CODE)
    assert drawing_for("file-kind-unknown").startswith("<img")
    without = [c.name for c in CODES.values() if c.kind != "note" and not drawing_for(c.name).startswith("<img")]
    assert without == [], "every refusal, warning and wrong entry has its drawing"
    assert drawing_for("film-thick") == ""


def test_a_free_port_is_found_when_the_wanted_one_is_taken():
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        if port < 65000:
            assert free_port("127.0.0.1", port) > port


def test_own_address_is_one():
    assert own_address()


@pytest.mark.slow
def test_ctrl_c_pressed_twice_shows_no_traceback(tmp_path):
    """The second one stops uvicorn at once, and what waits for its end is cancelled."""
    script = tmp_path / "stop.py"
    script.write_text(
        "import os, signal\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a job in the background has it off
        "from uvicorn.config import Config\n"
        "from uvicorn.server import Server\n"
        "go_on = Server.startup\n"
        "async def stopped(self, *a, **k):\n"
        "    await go_on(self, *a, **k)\n"
        "    os.kill(os.getpid(), signal.SIGINT)\n"
        "    os.kill(os.getpid(), signal.SIGINT)\n"
        "Server.startup = stopped\n"
        "from gapvision.cli import main\n"
        f"raise SystemExit(main(['page', '--no-browser', '--data', {str(tmp_path / 'd')!r}]))\n"
    )
    done = subprocess.run([sys.executable, str(script)], text=True, capture_output=True, timeout=60, check=False)
    assert done.stderr.strip().endswith("gapvision: stopped.")
    assert "Traceback" not in done.stderr
