"""Very small stored nets of plain arrays, run with numpy alone."""

from __future__ import annotations

from importlib.resources import files
from io import BytesIO

import numpy as np

from gapvision.model import FloatArray

Net = dict[str, FloatArray]

_FAR = 6.0


def load_net(name: str) -> Net:
    """Load a stored net: ``mean``, ``std`` of its inputs and ``w0``, ``b0``, ``w1`` ... of its layers."""
    data = files("gapvision.vision.models").joinpath(name).read_bytes()
    with np.load(BytesIO(data), allow_pickle=False) as stored:
        return {k: stored[k].astype(float) for k in stored.files}


def run_net(net: Net, figures: FloatArray) -> FloatArray:
    """Answers, shape (n, n_answers), to figures of shape (n, n_figures); inputs far from the usual are capped."""
    x = np.clip((figures - net["mean"]) / net["std"], -_FAR, _FAR)
    layer = 0
    while f"w{layer + 1}" in net:
        x = np.maximum(x @ net[f"w{layer}"] + net[f"b{layer}"], 0)
        layer += 1
    return np.asarray(x @ net[f"w{layer}"] + net[f"b{layer}"], float)
