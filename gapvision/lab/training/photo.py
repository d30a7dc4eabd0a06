"""From clean light to a stored photo: lens, sensor, and what a phone does to a picture.

The whole chain acts on a crop.  Every number is drawn at random from the widths
below, which are guesses at the spread of phones (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.intake.light import encode_srgb, to_linear

Image = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoChain:
    """One phone, one shot.

    Attributes
    ----------
    blur_px, defocus_px, motion_px, motion_deg : float
        Gaussian width, radius of the defocus disc, length and direction of shake.
    glare, glare_px : float
        Share of light scattered by the lens and its reach.
    noise_shot, noise_read : float
        Standard deviation at full light and in the dark, of white = 1.
    mosaic : bool
        Through a Bayer mosaic and back.
    denoise : float
        0 to 1, strength of edge-keeping smoothing.
    local_tone, local_px : float
        Share by which large-scale contrast is pressed, and its scale.
    contrast, lift, shoulder : float
        Global tone curve.
    sharpen, sharpen_px : float
        Amount and radius of unsharp masking.
    quality : int
        JPEG quality.
    seed : int
        For the noise.
    """

    blur_px: float
    defocus_px: float
    motion_px: float
    motion_deg: float
    glare: float
    glare_px: float
    noise_shot: float
    noise_read: float
    mosaic: bool
    denoise: float
    local_tone: float
    local_px: float
    contrast: float
    lift: float
    shoulder: float
    sharpen: float
    sharpen_px: float
    quality: int
    seed: int


def draw_chain(rng: np.random.Generator) -> PhotoChain:
    """Draw one phone and shot."""
    return PhotoChain(
        blur_px=float(rng.uniform(0.4, 1.1)),
        defocus_px=float(rng.choice([0.0, rng.uniform(0.3, 1.8)], p=[0.6, 0.4])),
        motion_px=float(rng.choice([0.0, rng.uniform(0.5, 3.0)], p=[0.75, 0.25])),
        motion_deg=float(rng.uniform(0, 180)),
        glare=float(rng.choice([rng.uniform(0.0, 0.02), rng.uniform(0.02, 0.09)], p=[0.75, 0.25])),
        glare_px=float(np.exp(rng.uniform(np.log(4), np.log(60)))),
        noise_shot=float(np.exp(rng.uniform(np.log(0.004), np.log(0.035)))),
        noise_read=float(np.exp(rng.uniform(np.log(0.0006), np.log(0.006)))),
        mosaic=bool(rng.random() < 0.6),
        denoise=float(rng.choice([0.0, rng.uniform(0.2, 1.0)], p=[0.35, 0.65])),
        local_tone=float(rng.choice([0.0, rng.uniform(0.1, 0.55)], p=[0.5, 0.5])),
        local_px=float(np.exp(rng.uniform(np.log(12), np.log(90)))),
        contrast=float(rng.uniform(-0.15, 0.6)),
        lift=float(rng.choice([0.0, rng.uniform(0.0, 0.03)])),
        shoulder=float(rng.uniform(0.0, 0.5)),
        sharpen=float(rng.choice([0.0, rng.uniform(0.2, 1.0), rng.uniform(1.0, 2.2)], p=[0.15, 0.6, 0.25])),
        sharpen_px=float(rng.uniform(0.7, 2.0)),
        quality=int(rng.integers(72, 98)),
        seed=int(rng.integers(2**31)),
    )


def take_photo(light: Image, chain: PhotoChain) -> NDArray[np.uint8]:
    """Turn linear light into a stored picture.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3), float32
        Linear light, 1 = the sensor's clipping level; may be larger.
    chain : PhotoChain
        Phone and shot.

    Returns
    -------
    ndarray, shape (H, W, 3), uint8
        Stored picture after JPEG, in OpenCV's blue-green-red order.
    """
    stored = develop(light, chain)
    ok, data = cv2.imencode(".jpg", stored[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, chain.quality])
    if not ok:
        raise RuntimeError("JPEG encoder failed")
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)


def develop(light: Image, chain: PhotoChain) -> NDArray[np.uint8]:
    """The stored picture before JPEG, shape (H, W, 3), in the order red, green, blue; see :func:`take_photo`."""
    rng = np.random.default_rng(chain.seed)
    return _finish(_sensor(_lens(np.minimum(light, 40.0), chain), chain, rng), chain)


def _lens(light: Image, chain: PhotoChain) -> Image:
    out = light
    if chain.defocus_px > 0.3:
        out = cv2.filter2D(out, -1, _disc(chain.defocus_px), borderType=cv2.BORDER_REFLECT)
    if chain.motion_px > 0.5:
        out = cv2.filter2D(out, -1, _streak(chain.motion_px, chain.motion_deg), borderType=cv2.BORDER_REFLECT)
    out = cv2.GaussianBlur(out, (0, 0), chain.blur_px, borderType=cv2.BORDER_REFLECT)
    wide = _wide_blur(out, chain.glare_px)
    return ((1 - chain.glare) * out + chain.glare * wide).astype(np.float32)


def _wide_blur(image: Image, sigma_px: float) -> Image:
    """Gaussian blur; a wide one on a picture made small, where it takes a tenth of the time."""
    small = max(int(sigma_px / 4), 1)
    h, w = image.shape[:2]
    size = (max(w // small, 8), max(h // small, 8))
    part = cv2.resize(image, size, interpolation=cv2.INTER_AREA) if small > 1 else image
    part = cv2.GaussianBlur(part, (0, 0), sigma_px * size[0] / w, borderType=cv2.BORDER_REFLECT)
    return np.asarray(cv2.resize(part, (w, h), interpolation=cv2.INTER_LINEAR) if small > 1 else part, np.float32)


def _disc(radius: float) -> NDArray[np.float64]:
    n = int(np.ceil(radius)) + 1
    fine = np.arange(-n * 8 - 3.5, n * 8 + 4) / 8
    mask = (fine[:, None] ** 2 + fine[None] ** 2 <= radius**2).astype(float)
    kernel = mask.reshape(2 * n + 1, 8, 2 * n + 1, 8).sum((1, 3))
    return kernel / kernel.sum()


def _streak(length: float, angle_deg: float) -> NDArray[np.float64]:
    n = int(np.ceil(length / 2)) + 1
    kernel = np.zeros((2 * n + 1, 2 * n + 1))
    for along in np.linspace(-length / 2, length / 2, 33):
        x, y = n + along * np.cos(np.radians(angle_deg)), n + along * np.sin(np.radians(angle_deg))
        i, j = int(np.floor(y)), int(np.floor(x))
        fy, fx = y - i, x - j
        kernel[i : i + 2, j : j + 2] += np.outer([1 - fy, fy], [1 - fx, fx])
    return kernel / kernel.sum()


def _sensor(light: Image, chain: PhotoChain, rng: np.random.Generator) -> Image:
    noise = rng.standard_normal(light.shape).astype(np.float32)
    sigma = np.sqrt(chain.noise_read**2 + chain.noise_shot**2 * np.minimum(light, 1.5))
    raw = np.clip(light + sigma * noise, 0, 1)
    if chain.mosaic:
        h, w = raw.shape[:2]
        mosaic = raw[..., 1].copy()
        mosaic[0:h:2, 0:w:2] = raw[0:h:2, 0:w:2, 0]
        mosaic[1:h:2, 1:w:2] = raw[1:h:2, 1:w:2, 2]
        sixteen = np.round(mosaic * 65535).astype(np.uint16)
        # OpenCV names a pattern by its second row and column; this one gives red, green, blue.
        raw = cv2.cvtColor(sixteen, cv2.COLOR_BayerBG2RGB).astype(np.float32) / 65535
    if chain.denoise > 0:
        root = np.sqrt(raw)
        width = 3.0 * chain.noise_shot * chain.denoise + 0.01
        smooth = cv2.bilateralFilter(root.astype(np.float32), 5, float(width), 1.4)
        raw = (chain.denoise * smooth + (1 - chain.denoise) * root) ** 2
    return np.asarray(np.clip(raw, 0, 1), np.float32)


def _finish(raw: Image, chain: PhotoChain) -> NDArray[np.uint8]:
    luma = raw @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    if chain.local_tone > 0:
        log = np.log(luma + 0.01)
        base = _wide_blur(log, chain.local_px)
        change = np.exp(-chain.local_tone * (base - np.log(0.3)))
        raw = raw * np.clip(change, 0.4, 3.0)[..., None]
    top = 1 - 0.3 * chain.shoulder
    over = np.maximum(raw - top, 0)
    raw = np.where(raw > top, top + (1 - top) * np.tanh(over / (1 - top)), raw) if chain.shoulder > 0.02 else raw
    stored = encode_srgb(np.clip(raw, 0, 1))
    s_curve = stored * stored * (3 - 2 * stored)
    stored = (
        (1 - chain.contrast) * stored + chain.contrast * s_curve
        if chain.contrast > 0
        else stored - chain.contrast * stored * (1 - stored)
    )
    stored = chain.lift + (1 - chain.lift) * stored
    if chain.sharpen > 0:
        grey = (stored @ np.array([0.299, 0.587, 0.114])).astype(np.float32)
        detail = grey - cv2.GaussianBlur(grey, (0, 0), chain.sharpen_px, borderType=cv2.BORDER_REFLECT)
        stored = stored + chain.sharpen * np.clip(detail, -0.25, 0.25)[..., None]
    return np.round(255 * np.clip(stored, 0, 1)).astype(np.uint8)


def to_grey_linear(stored: NDArray[np.uint8]) -> Image:
    """Linear light of the grey picture, as the product takes it from a JPEG."""
    return to_linear(cv2.cvtColor(stored, cv2.COLOR_BGR2GRAY))
