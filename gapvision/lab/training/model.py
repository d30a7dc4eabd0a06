"""The net: a small hourglass across the seam, full length along it."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import torch
from torch import Tensor, nn

from gapvision.vision.learned import CHANNELS, DEPTH_BIN_MM, DEPTH_BINS, N_T, PADDED_T


def _block(n_in: int, n_out: int, kernel: tuple[int, int], stride: int = 1, spread: int = 1) -> nn.Sequential:
    pad = (kernel[0] // 2, spread * (kernel[1] // 2))
    return nn.Sequential(
        nn.Conv2d(n_in, n_out, kernel, stride=(stride, 1), padding=pad, dilation=(1, spread), bias=False),
        nn.BatchNorm2d(n_out),
        nn.ReLU(inplace=True),
    )


class EdgeNet(nn.Module):
    """From features (batch, 12, 416, n_s): where edges A and B lie, and how deep below their panels' faces.

    Two answers: logits (batch, 2, 416, n_s) of the edges' places, and logits (batch, 2 * 16, 208, n_s) of their
    depths, to be read where the edge lies.
    """

    def __init__(self, width: tuple[int, ...] = (20, 32, 48, 64, 72)) -> None:
        super().__init__()
        self.stem = _block(CHANNELS, width[0], (6, 3), 2)
        # An even kernel halves 416 rows to 208 only with this padding.
        self.stem[0].padding = (2, 1)
        self.first = _block(width[0], width[0], (5, 3))
        self.down = nn.ModuleList()
        self.up = nn.ModuleList()
        self.merge = nn.ModuleList()
        for k, (a, b) in enumerate(pairwise(width)):
            spread = (1, 1, 2, 3)[k]
            self.down.append(nn.Sequential(_block(a, b, (4, 3), 2), _block(b, b, (3, 3), 1, spread)))
            self.down[-1][0][0].padding = (1, 1)
            self.up.append(nn.Conv2d(b, a, 1))
            self.merge.append(_block(a, a, (5 if k == 0 else 3, 3)))
        self.deep = nn.Sequential(
            _block(width[-1], width[-1], (5, 3), 1, 4), _block(width[-1], width[-1], (5, 3), 1, 6)
        )
        self.last = _block(width[0], width[0], (3, 3))
        self.head = nn.Conv2d(width[0], 4, 1)
        self.depth = nn.Conv2d(width[0], 2 * DEPTH_BINS, 1)

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        """Run the net."""
        x = self.first(self.stem(x))
        kept = [x]
        for down in self.down:
            x = down(x)
            kept.append(x)
        x = x + self.deep(x)
        for k in range(len(self.down) - 1, -1, -1):
            x = nn.functional.interpolate(self.up[k](x), scale_factor=(2.0, 1.0), mode="nearest")
            x = self.merge[k](x + kept[k])
        x = self.last(x)
        depth = self.depth(x)
        x = self.head(x)
        # Four answers a row: two edges at two half-steps, woven into full rows.
        batch, _, rows, columns = x.shape
        x = x.reshape(batch, 2, 2, rows, columns).permute(0, 1, 3, 2, 4)
        return x.reshape(batch, 2, 2 * rows, columns), depth


def depth_where(logits: Tensor, depth: Tensor) -> Tensor:
    """Logits (batch, 2, 16, n_s) of the depth, read where the edge may lie; the reading moves no edge."""
    batch, _, rows, columns = depth.shape
    chance = torch.softmax(logits.detach().float()[:, :, :N_T], 2)
    chance = nn.functional.pad(chance, (0, 0, 0, PADDED_T - N_T)).reshape(batch, 2, rows, 2, columns).sum(3)
    each = depth.float().reshape(batch, 2, DEPTH_BINS, rows, columns)
    return (each * chance[:, :, None]).sum(3)


def depth_shares(depth_mm: Tensor) -> Tensor:
    """Depths (batch, 2) [mm] shared out between the two nearest of 16 bins."""
    place = (depth_mm / DEPTH_BIN_MM).clamp(0, DEPTH_BINS - 1)
    bins = torch.arange(DEPTH_BINS, device=place.device, dtype=torch.float32)
    return (1 - (bins - place[:, :, None]).abs()).clamp_min(0)


def depth_loss_of(logits: Tensor, depth: Tensor, depth_mm: Tensor, valid: Tensor) -> Tensor:
    """Cross entropy of the depths (batch, 2) below the faces [mm]."""
    each = -(depth_shares(depth_mm)[..., None] * torch.log_softmax(depth_where(logits, depth), 2)).sum(2)
    return (each * valid).sum() / valid.sum().clamp_min(1)


def loss_of(logits: Tensor, truth_row: Tensor, valid: Tensor, sigma_rows: float = 0.8) -> Tensor:
    """Cross entropy against a narrow bell at the true row; (batch, 2, n_s) truth and validity."""
    rows = torch.arange(N_T, device=logits.device, dtype=torch.float32)[None, None, :, None]
    bell = torch.exp(-0.5 * ((rows - truth_row[:, :, None]) / sigma_rows) ** 2)
    bell = bell / bell.sum(2, keepdim=True).clamp_min(1e-9)
    log_p = torch.log_softmax(logits[:, :, :N_T].float(), 2)
    each = -(bell * log_p).sum(2)
    return (each * valid).sum() / valid.sum().clamp_min(1)


def export(net: EdgeNet, path: str) -> None:
    """Write the net as ONNX with free batch and length."""
    net = net.cpu().float().eval()
    sample = torch.zeros(2, CHANNELS, PADDED_T, 52)
    torch.onnx.export(
        net,
        (sample,),
        path,
        input_names=["band"],
        output_names=["logits", "depth"],
        opset_version=17,
        dynamo=False,
        dynamic_axes={name: {0: "batch", 3: "length"} for name in ("band", "logits", "depth")},
    )


def take_over(net: Any, path: str) -> None:
    """Fill a net with the weights of a stored one, whose normalisation is folded into its layers.

    A stored net that sees fewer channels counts for the first ones; the others begin without weight.
    """
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(path).graph
    stored = {i.name: numpy_helper.to_array(i) for i in graph.initializer}
    pairs = [(stored[n.input[1]], stored[n.input[2]]) for n in graph.node if n.op_type == "Conv"]
    blocks: list[Any] = [net.stem, net.first]
    for down in net.down:
        blocks += list(down)
    blocks += list(net.deep)
    for k in range(len(net.down) - 1, -1, -1):
        blocks += [net.up[k], net.merge[k]]
    blocks += [net.last]
    # Either head may come first in the file; they differ in size.
    blocks += sorted((net.head, net.depth), key=lambda head: head.out_channels != len(pairs[len(blocks)][1]))
    if len(pairs) < len(blocks) - 1 or len(pairs) > len(blocks):
        raise ValueError(f"{path} is another design: {len(pairs)} layers, expected {len(blocks)}")
    with torch.no_grad():
        # A net stored before it read depths lacks that head.
        for block, (weight, bias) in zip(blocks, pairs, strict=False):
            layer: Any = block[0] if isinstance(block, nn.Sequential) else block
            layer.weight.zero_()
            layer.weight[:, : weight.shape[1]].copy_(torch.from_numpy(weight.copy()))
            shift: Any = block[1].bias if isinstance(block, nn.Sequential) else layer.bias
            shift.copy_(torch.from_numpy(bias.copy()))
