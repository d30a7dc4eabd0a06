import json
import re
import subprocess
import sys

import pytest

from gapvision.lab.bench import speed

FOUND = {
    "status": "ok",
    "first_s": 0.6,
    "peak_mb": 160.0,
    "decode_s": 0.02,
    "detect_s": 0.08,
    "steps_s": {"read_photo": 0.03, "rest": 0.27},
    "warm_s": 0.30,
}


def test_ratios_are_to_the_floor():
    text = speed.report("x.jpg", FOUND, 1.2)
    assert "floor 100 ms (decode 20, one detection 80)" in text
    assert "warm 300 ms = 3.00 x floor" in text
    assert re.search(r"read_photo +30 ms +0\.30 x", text)
    assert "cold command 1.20 s = 12.00 x floor" in text
    assert "160 MB" in text


@pytest.mark.slow
def test_every_figure_is_measured(request):
    """In a process of its own: the steps add up to the whole, and memory is that of this measurement."""
    photo = request.config.rootpath / "sample_images" / "backlit_bonnet_gap.jpg"
    words = [sys.executable, "-m", "gapvision.lab.bench.speed", "--inside", "--photo", str(photo), "--repeats", "3"]
    done = subprocess.run(words, capture_output=True, text=True, check=False, cwd=request.config.rootpath)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["status"] == "ok"
    assert min(found["steps_s"].values()) >= 0
    assert sum(v > 0 for v in found["steps_s"].values()) == len(found["steps_s"])
    assert sum(found["steps_s"].values()) == pytest.approx(found["warm_s"], rel=0.3)
    assert 50 < found["peak_mb"] < 1200
