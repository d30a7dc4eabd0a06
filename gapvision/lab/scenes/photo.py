"""Draw a scene: light in the picture plane, lens and sensor, and the stored JPEG with its truth."""

from __future__ import annotations

import io
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.lab.scenes import lookalikes, shading, space
from gapvision.lab.scenes.scene import FINISHES, SceneSpec
from gapvision.lab.scenes.truth import scene_truth
from gapvision.targets import sheet_code, strip

Array = NDArray[Any]
_COARSE = 8  # px between places where rays are cut exactly; interpolation errs below 0.003 px
_ALONG, _ACROSS = 2, 4  # samples per pixel along and across the seam
_FLOOR_LIGHT = 0.05  # of a dark floor under open sky
_PAPER_BLACK = 0.05  # printed black over white paper


def render_scene(spec: SceneSpec, seed: int = 0) -> tuple[bytes, dict[str, Any]]:
    """Draw a scene as a phone would store it.

    Parameters
    ----------
    spec : SceneSpec
        What to draw.
    seed : int
        Of noise and grain.

    Returns
    -------
    jpeg : bytes
        JPEG with EXIF.
    truth : dict
        Exact truth, for a ``NAME.truth.json``.
    """
    stored, truth = _render(spec, seed, colour=True)
    return encode(spec, stored), truth


def render_grey(spec: SceneSpec, seed: int = 0) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """Draw a scene as upright grey picture, shape (H, W) uint8, before JPEG; and its truth."""
    return _render(spec, seed, colour=False)


def _render(spec: SceneSpec, seed: int, colour: bool) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    rng = np.random.default_rng(seed)
    view = _View(spec)
    light, plain = _panels(view, rng)
    for one in spec.strips:
        _draw_strip(view, light, plain, one)
    stored = _develop(spec, light, plain, _tints(view) if colour else None, rng)
    truth = scene_truth(spec, view.panel, view.seam, view.lens, seed)
    note_contrast(stored, truth)
    return stored, truth


class _View:
    """A scene with its camera, and maps from pixels to places that all drawing steps share."""

    def __init__(self, spec: SceneSpec) -> None:
        self.spec = spec
        self.panel = space.PanelSurface(spec.bend, spec.bend_radius_mm)
        self.seam = space.seam_of(spec)
        self.lens = space.make_lens(spec.camera, self.panel)
        h, w = self.lens.height, self.lens.width
        y = (np.arange(-1, -(-h // _COARSE) + 1) + 0.5) * _COARSE - 0.5
        x = (np.arange(-1, -(-w // _COARSE) + 1) + 0.5) * _COARSE - 0.5
        self.rays = self.lens.rays(np.stack(np.meshgrid(x, y), axis=-1))
        self.s, self.t = self.hit(0.0)
        self.sigma, self.offset = self.seam.locate(self.s, self.t)
        deep_sigma, deep_offset = self.seam.locate(*self.hit(-2.0))
        self.lean_across, gained = (self.offset - deep_offset) / 2, self.sigma - deep_sigma
        self.lean_along = self.near(gained, 0.0) / 2
        white = shading.paper_light(spec)
        self.gain = spec.camera.exposure / white
        middle = np.array([spec.camera.aim_s_mm, spec.camera.aim_t_mm])
        far = float(np.hypot(w, h) / 2 / self.lens.focal * spec.camera.distance_mm)
        self.evenness = 1 + spec.uneven * ((self.s - middle[0]) * 0.6 - (self.t - middle[1]) * 0.8) / far
        gap_light = spec.inside.level / self.gain if spec.inside.kind == "backlit" else 0.0
        self.tables = {side: shading.radiance_table(spec, side, gap_light) for side in "AB"}

    def hit(self, n: float) -> tuple[Array, Array]:
        """Developed coordinates of the coarse grid at a height."""
        s, t = self.panel.hit(self.lens.position, self.rays, n)
        return np.nan_to_num(s, nan=1e4), np.nan_to_num(t, nan=1e4)

    def near(self, sigma: Array, to: float) -> Array:
        """Lengths along a seam that closes as those next to ``to``; of any other as they are."""
        return self.seam.near(sigma, to) if isinstance(self.seam, space.ClosedLine) else sigma

    def fine(self, coarse: Array, box: tuple[int, int, int, int], per_px: tuple[int, int] = (1, 1)) -> Array:
        """A coarse map at full size inside a box of pixels (y0, y1, x0, x1 in multiples of the coarse step)."""
        y0, y1, x0, x1 = (v // _COARSE for v in box)
        part = coarse[y0 : y1 + 2, x0 : x1 + 2].astype(np.float32)
        fy, fx = _COARSE * per_px[0], _COARSE * per_px[1]
        big = cv2.resize(part, None, fx=fx, fy=fy, interpolation=cv2.INTER_LINEAR)
        return big[fy:-fy, fx:-fx]


def _grain(rng: np.random.Generator, kind: str) -> NDArray[np.float32]:
    """A tile of grain 128 mm wide, 8 px per mm, mean 0, standard deviation 1."""
    noise: Array = rng.standard_normal((1024, 1024), dtype=np.float32)
    size = (0.6, 0.6) if kind == "fine" else (30.0, 0.5)
    noise = np.tile(noise, (2, 2))[:1536, :1536]
    noise = cv2.GaussianBlur(noise, (0, 0), sigmaX=size[0], sigmaY=size[1])[256:1280, 256:1280]
    return np.asarray((noise - noise.mean()) / noise.std(), np.float32)


def _panels(view: _View, rng: np.random.Generator) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Light of panels and gap, without strips, and the uncoloured part of it; clipping level = 1."""
    spec = view.spec
    h, w = view.lens.height, view.lens.width
    light, plain = np.empty((h, w), np.float32), np.zeros((h, w), np.float32)
    grain = {side: _grain(rng, _finish(spec, side).grain) for side in "AB"}
    zero = np.zeros_like(view.lean_across, dtype=np.float32)
    lean = np.arctan(view.lean_across).astype(np.float32)
    face_a = shading.look_up(view.tables["A"], zero, lean)
    face_b = shading.look_up(view.tables["B"], zero, -lean)
    reach = spec.gap_mm / 2 + 3 + max(spec.edge_a.radius_mm, spec.edge_b.radius_mm) + abs(spec.step_mm)
    reach += sum(abs(d.height_mm) for d in spec.defects) + spec.edge_a.wave_mm + spec.edge_b.wave_mm
    px_mm = spec.camera.distance_mm / view.lens.focal
    flat = np.abs(np.diff(view.offset[:, view.offset.shape[1] // 2])).mean()
    upright = np.abs(np.diff(view.offset[view.offset.shape[0] // 2])).mean() > flat
    per_px = (_ALONG, _ACROSS) if upright else (_ACROSS, _ALONG)
    if spec.closed_mm is not None:
        per_px = (_ACROSS, _ACROSS)
    for y0 in range(0, h, 512):
        for x0 in range(0, w, 512):
            y1, x1 = min(y0 + 512, -(-h // 8) * 8), min(x0 + 512, -(-w // 8) * 8)
            tile = _face_tile(view, (y0, y1, x0, x1), (face_a, face_b), grain, px_mm)
            near = np.abs(view.offset[y0 // 8 : y1 // 8 + 2, x0 // 8 : x1 // 8 + 2]) < reach + 8 * px_mm
            for ry in range(0, (y1 - y0) // 8, 8):
                for rx in range(0, (x1 - x0) // 8, 8):
                    if near[ry : ry + 10, rx : rx + 10].any():
                        by, bx = y0 + ry * 8, x0 + rx * 8
                        box = (by, min(by + 64, y1), bx, min(bx + 64, x1))
                        part = tile[box[0] - y0 : box[1] - y0, box[2] - x0 : box[3] - x0]
                        rest = _seam_box(view, box, per_px, part, reach)
                        if rest is not None:
                            target = plain[box[0] : box[1], box[2] : box[3]]
                            target[:] = rest[: target.shape[0], : target.shape[1]]
            light[y0:y1, x0:x1] = tile[: h - y0, : w - x0, 0]
    return light, plain


def _finish(spec: SceneSpec, side: str) -> Any:
    return FINISHES[(spec.edge_a if side == "A" else spec.edge_b).finish]


def _face_tile(view: _View, box: tuple[int, int, int, int], faces: Any, grain: Any, px_mm: float) -> Array:
    """Panel light and local factor (grain, unevenness, exposure, lines) of a box, shape (H, W, 2)."""
    s, t = view.fine(view.s, box), view.fine(view.t, box)
    offset = view.fine(view.offset, box)
    on_b = offset > 0
    factor = view.fine(view.evenness * view.gain, box)
    textured = np.ones_like(factor)
    for side, mask in (("A", ~on_b), ("B", on_b)):
        finish = _finish(view.spec, side)
        if finish.grain != "none" and mask.any():
            turn = 0.35 if side == "A" else -0.6  # brushing is seldom along the seam
            x = ((s * np.cos(turn) + t * np.sin(turn)) * 8) % 1024
            y = ((t * np.cos(turn) - s * np.sin(turn)) * 8) % 1024
            tile = cv2.remap(
                grain[side], x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP
            )
            textured = np.where(mask, 1 + finish.grain_strength * tile, textured)
    factor = factor * textured
    for line in view.spec.lines:
        inside = np.clip((line.width_mm / 2 - np.abs(offset - line.t_mm)) / px_mm + 0.5, 0, 1)
        factor *= 1 - inside * (1 - line.factor)
    face = np.where(on_b, view.fine(faces[1], box), view.fine(faces[0], box))
    for one in view.spec.lookalikes:
        lean = np.arctan(view.fine(view.lean_across, box)).astype(np.float32)
        face, factor = lookalikes.lay(one, view, (s, offset - one.t_mm, lean), face, factor)
    face = face * factor
    if view.spec.alone:
        beyond = _beyond(view, offset, view.fine(view.lean_across, box))
        face = np.where(on_b, beyond if view.spec.inside.kind == "backlit" else beyond * view.gain, face)
    return np.stack([np.maximum(face, 0), factor], axis=-1).astype(np.float32)


def _beyond(view: _View, offset: Array, m: Array) -> Array:
    """Light of what lies beyond an edge that stands alone: backlit over clipping level, else sky = about 1."""
    inside = view.spec.inside
    if inside.kind == "backlit":
        return np.full_like(offset, inside.level)
    depth = inside.floor_depth_mm
    from_edge = offset - m * depth + view.spec.gap_mm / 2
    return np.asarray(_FLOOR_LIGHT * 0.5 * (1 + from_edge / np.hypot(from_edge, depth)))


def _seam_box(view: _View, box: tuple[int, int, int, int], per_px: tuple[int, int], part: Array, reach: float) -> Any:
    """Draw edges and gap in a small box: cut every sample's line of sight with both edges and the inside.

    Returns the light of the gap alone, None where there is none.
    """
    spec = view.spec
    offset = view.fine(view.offset, box, per_px)
    if np.abs(offset).min() > reach:
        return None
    sigma = view.fine(view.near(view.sigma, float(view.sigma[box[0] // _COARSE, box[2] // _COARSE])), box, per_px)
    m, along = view.fine(view.lean_across, box, per_px), view.fine(view.lean_along, box, per_px)
    out_panel = np.zeros_like(offset)
    best = np.full_like(offset, -np.inf)
    step = 0.02
    start = float(sigma.min()) - 2
    table_s = np.arange(start, float(sigma.max()) + 2 + step, step)
    edges = [e.astype(np.float32) for e in space.edge_offsets(spec, table_s)]

    def at(values: Array, where: Array) -> Array:
        place = np.clip((where - start) / step, 0, len(values) - 1.001)
        low = place.astype(np.int32)
        return np.asarray(values[low] + (place - low) * (values[low + 1] - values[low]))

    sides = (("A", 1, spec.edge_a, 0.0), ("B", -1, spec.edge_b, spec.step_mm))
    for side, sign, edge, height in sides[: 1 if spec.alone else 2]:
        deep = height - edge.radius_mm
        own = at(edges[0] if side == "A" else edges[1], sigma + along * deep)
        x = sign * (offset + m * height - own)
        n, slope = shading.hit_edge(edge, x, sign * m)
        n = n + height
        lit = shading.look_up(view.tables[side], slope, np.arctan(sign * m))
        if edge.kind == "cut" and edge.face_factor != 1:
            lit = np.where(slope > 1.57, lit * edge.face_factor, lit)
        first = n > best
        best, out_panel = np.where(first, n, best), np.where(first, lit, out_panel)
    seen = np.isfinite(best)
    a, b = at(edges[0], sigma), at(edges[1], sigma)
    gap = _inside(view, offset, m, sigma, a, b)
    shape = (part.shape[0], per_px[0], part.shape[1], per_px[1])
    panel = np.where(seen, out_panel, 0).reshape(shape).mean(axis=(1, 3))
    rest = np.where(seen, 0, gap).reshape(shape).mean(axis=(1, 3))
    base = part[..., 1]
    rest = rest if spec.inside.kind == "backlit" else rest * view.gain
    part[..., 0] = panel * base + rest
    return rest


def _inside(view: _View, offset: Array, m: Array, sigma: Array, a: Array, b: Array) -> Array:
    """Light of the inside of the gap: backlit over clipping level, else sky = about 1."""
    inside = view.spec.inside
    if view.spec.alone:
        return _beyond(view, offset, m)
    if inside.kind == "backlit":
        if inside.level_end is None:
            return np.full_like(offset, inside.level)
        return inside.level + (inside.level_end - inside.level) * np.clip((sigma + 200) / 400, 0, 1)

    def sky_share(x: Array, depth: float) -> Array:
        """Share of the sky that shows between the edges, for a level place."""
        da, db = x - a, b - x
        return np.asarray(0.5 * (da / np.hypot(da, depth) + db / np.hypot(db, depth)))

    x = offset - m * inside.floor_depth_mm
    light = 0.05 * sky_share(x, inside.floor_depth_mm)
    if inside.kind == "flange":
        x = offset - m * inside.depth_mm
        on = (x > inside.from_mm) & (x < inside.to_mm)
        light = np.where(on, inside.flange_diffuse * np.maximum(sky_share(x, inside.depth_mm), 0), light)
    elif inside.kind == "seal":
        radius, middle = 3.0, 0.2 * view.spec.gap_mm
        x = (offset - m * (inside.depth_mm + radius) - middle) / np.sqrt(1 + m * m)
        on = np.abs(x) < radius
        up = np.sqrt(np.maximum(1 - (x / radius) ** 2, 0))
        bulb = (0.05 * up + 0.12 * np.exp(-(((x / radius) - 0.15) ** 2) / 0.01)) * np.maximum(
            sky_share(np.clip(x + middle, a, b), inside.depth_mm), 0
        )
        light = np.where(on, bulb, light)
    return light


def _draw_strip(view: _View, light: Array, plain: Array, one: Any) -> None:
    """Lay one strip over the picture, supersampled."""
    spec = view.spec
    _, _, n = space.strip_place(spec, one)
    s, t = view.hit(n)
    x, y = space.panel_to_strip(spec, one, s, t)
    rim = strip.MARGIN_MM
    near = (
        (x > -rim - 2)
        & (x < strip.pattern_mm(one.short) + rim + 2)
        & (y > -rim - 2)
        & (y < strip.PATTERN_WIDTH_MM + rim + 2)
    )
    rows, columns = np.nonzero(cv2.dilate(near.astype(np.uint8), np.ones((3, 3), np.uint8)))
    if not len(rows):
        return
    limit_y, limit_x = near.shape[0] - 2, near.shape[1] - 2
    first = (max(rows.min() - 1, 0), max(columns.min() - 1, 0))
    last = (min(rows.max(), limit_y), min(columns.max(), limit_x))
    cells = cells_of(one.letter, one.short)
    even = view.evenness * spec.camera.exposure
    for by in range(int(first[0]), int(last[0]), 32):
        for bx in range(int(first[1]), int(last[1]), 32):
            box = (by * 8, min(by + 32, int(last[0])) * 8, bx * 8, min(bx + 32, int(last[1])) * 8)
            if box[0] >= box[1] or box[2] >= box[3]:
                continue
            if not near[by : by + 34, bx : bx + 34].any():
                continue
            per_px = (4, 4)
            xs, ys = view.fine(x, box, per_px), view.fine(y, box, per_px)
            paper, ink = ink_of(cells, xs, ys)
            if one.sheet is not None:
                ink |= _code(one.sheet, xs, ys)
            shape = ((box[1] - box[0]), 4, (box[3] - box[2]), 4)
            cover = paper.reshape(shape).mean(axis=(1, 3), dtype=np.float32)
            tone = (paper * np.where(ink, np.float32(_PAPER_BLACK), np.float32(1))).reshape(shape).mean(axis=(1, 3))
            bright = view.fine(even, box)
            for target in (light[box[0] : box[1], box[2] : box[3]], plain[box[0] : box[1], box[2] : box[3]]):
                part = np.s_[: target.shape[0], : target.shape[1]]
                target[:] = target * (1 - cover[part]) + (tone * bright)[part]


def cells_of(letter: str, short: bool = False) -> NDArray[np.bool_]:
    """Which cells are inked, on a grid of 0.107142.. mm (a twelfth of a module) so that every border falls on it."""
    fine = 28 * 4  # cells of a square: 12 mm / 112; a module of 9/7 mm is 12 cells, the rim of 1.5 mm 14
    art = np.zeros((strip.SQUARES_ACROSS * fine, strip.squares_along(short) * fine), bool)
    for r in range(strip.SQUARES_ACROSS):
        for c in range(strip.squares_along(short)):
            if (c + r) % 2 == 0:
                art[r * fine : (r + 1) * fine, c * fine : (c + 1) * fine] = True
    for (c, r), bits in zip(strip.marker_squares(short), strip.module_grid(letter, short), strict=True):
        y, x = r * fine + 14, c * fine + 14
        art[y : y + 84, x : x + 84] = np.kron(bits, np.ones((12, 12), bool))
    return art


def ink_of(cells: NDArray[np.bool_], x: Array, y: Array) -> tuple[Array, Array]:
    """Whether places of the strip's frame are on the paper, and inked."""
    rim = strip.MARGIN_MM
    per_mm = np.float32(112 / 12)
    long, wide = cells.shape[1] / per_mm, cells.shape[0] / per_mm
    paper = (x > -rim) & (x < long + rim) & (y > -rim) & (y < wide + rim)
    i, j = np.floor(y * per_mm).astype(np.int32), np.floor(x * per_mm).astype(np.int32)
    on = (i >= 0) & (j >= 0) & (i < cells.shape[0]) & (j < cells.shape[1])
    return paper, on & cells[np.clip(i, 0, cells.shape[0] - 1), np.clip(j, 0, cells.shape[1] - 1)]


def _code(sheet: int, x: Array, y: Array) -> NDArray[np.bool_]:
    """Whether places of the strip's frame lie on a black cell of its sheet's number."""
    k = np.floor(x / sheet_code.CELL_MM).astype(np.int32)
    on = (k >= 0) & (k < sheet_code.CELLS_PER_SIDE)
    ink = np.zeros(x.shape, bool)
    for (low, high), cells in zip(sheet_code.cell_rows_mm(), sheet_code.black_cells(sheet), strict=True):
        ink |= on & (y > low) & (y < high) & np.array(cells)[np.clip(k, 0, sheet_code.CELLS_PER_SIDE - 1)]
    return ink


def _tints(view: _View) -> NDArray[np.float32]:
    """Colour of the panels' light at a quarter of the size, softened, shape (h, w, 3) blue green red, luminance 1."""
    spec = view.spec
    h, w = view.lens.height, view.lens.width
    whole = (0, -(-h // 8) * 8, 0, -(-w // 8) * 8)
    offset = cv2.resize(view.fine(view.offset, whole), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    tint = np.ones((*offset.shape, 3), np.float32)
    for side, mask in (("A", offset <= 0), ("B", offset > 0)):
        red, green, blue = _finish(spec, side).tint
        grey = 0.2126 * red + 0.7152 * green + 0.0722 * blue
        tint[mask] = np.array([blue, green, red], np.float32) / grey
    return np.asarray(cv2.GaussianBlur(tint, (0, 0), 1.0), np.float32)


def _tone_table(tone: str) -> NDArray[np.float32]:
    """Stored value (0 to 255) of 4096 steps of linear light."""
    linear = np.arange(4096) / 4095
    stored = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    if tone == "phone":
        stored = stored - 0.22 * np.sin(2 * np.pi * stored) / (2 * np.pi)
    return (255 * stored).astype(np.float32)


def _through_lens(spec: SceneSpec, light: Array) -> Array:
    camera = spec.camera
    if camera.blur_px > 0:
        light = cv2.GaussianBlur(light, (0, 0), camera.blur_px)
    if camera.glare > 0:
        small = cv2.resize(light, None, fx=1 / 16, fy=1 / 16, interpolation=cv2.INTER_AREA)
        halo = cv2.resize(cv2.GaussianBlur(small, (0, 0), 4.0), (light.shape[1], light.shape[0]))
        light = cv2.addWeighted(light, 1 - camera.glare, halo, camera.glare, 0)
    return light


def _develop(
    spec: SceneSpec, light: Array, plain: Array, tint: Array | None, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Lens blur, glare, noise, clipping, tone curve, sharpening and 8 bits."""
    camera = spec.camera
    light = _through_lens(spec, light)
    if tint is not None:
        plain = _through_lens(spec, plain)
    table = _tone_table(camera.tone)
    channels = 1 if tint is None else 3
    out = np.empty((*light.shape, channels), np.uint8)
    margin = 8
    for y0 in range(0, light.shape[0], 512):
        ya, yb = max(y0 - margin, 0), min(y0 + 512 + margin, light.shape[0])
        band = light[ya:yb]
        strength = camera.noise * np.sqrt(0.04 + 0.96 * np.minimum(band, 1))
        band = band + strength * rng.standard_normal(band.shape, dtype=np.float32)
        for c in range(channels):
            if tint is None:
                value = band
            else:
                rows = (np.arange(ya, yb) + 0.5) / 4 - 0.5
                part = tint[..., c]
                grid_x = np.tile(((np.arange(light.shape[1]) + 0.5) / 4 - 0.5).astype(np.float32), (yb - ya, 1))
                grid_y = np.tile(rows.astype(np.float32)[:, None], (1, light.shape[1]))
                colour = cv2.remap(part, grid_x, grid_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
                value = band * colour + plain[ya:yb] * (1 - colour)
            stored: Array = table[(np.clip(value, 0, 1) * 4095 + 0.5).astype(np.uint16)]
            if camera.sharpening > 0:
                soft = cv2.GaussianBlur(stored, (0, 0), 1.3)
                stored = cv2.addWeighted(stored, 1 + camera.sharpening, soft, -camera.sharpening, 0)
            top = y0 - ya
            out[y0 : min(y0 + 512, light.shape[0]), :, c] = np.clip(stored + 0.5, 0, 255)[top : top + 512]
    return out if tint is not None else out[..., 0]


def note_contrast(stored: NDArray[np.uint8], truth: dict[str, Any]) -> None:
    """Add to the truth how large the grey step across each outline is; below 8 levels an edge is called hard."""
    grey = cv2.cvtColor(stored, cv2.COLOR_BGR2GRAY) if stored.ndim == 3 else stored
    a, b = (np.array(truth["edges"][k]) for k in ("A_outline_px", "B_outline_px"))
    seen = np.array(truth["edges"]["visible"], bool)
    made: dict[str, Any] = {}
    if seen.any():
        across = (b - a)[seen]
        across = across / np.linalg.norm(across, axis=1, keepdims=True)
        reach = 0.3 * truth["render"]["px_per_mm"]
        for side, line, sign in (("A", a[seen], 1), ("B", b[seen], -1)):
            levels = [
                cv2.remap(grey, (p[:, :1]).astype(np.float32), (p[:, 1:]).astype(np.float32), cv2.INTER_LINEAR).ravel()
                for p in (line + sign * reach * across, line - sign * reach * across)
            ]
            step = np.abs(levels[0].astype(float) - levels[1])
            made[side] = {"median": float(np.median(step)), "p10": float(np.percentile(step, 10))}
    truth["outline_contrast"] = made
    truth["hard_edge"] = any(v["median"] < 8 for v in made.values())


def encode(spec: SceneSpec, stored: NDArray[np.uint8]) -> bytes:
    """JPEG with EXIF, turned as the orientation says."""
    from PIL import Image

    camera = spec.camera
    turned = {1: stored, 3: stored[::-1, ::-1], 6: np.rot90(stored), 8: np.rot90(stored, -1)}[camera.orientation]
    picture = Image.fromarray(np.ascontiguousarray(turned[..., ::-1]))
    out = io.BytesIO()
    extra: dict[str, Any] = {}
    if camera.exif:
        exif = Image.Exif()
        exif[0x0112] = camera.orientation
        exif[0x0132] = camera.taken_at
        if camera.model:
            exif[0x0110] = camera.model
        detail = exif.get_ifd(0x8769)
        longer = max(camera.width_px, camera.height_px)
        focal = camera.focal_px or 0.75 * longer
        diagonal = float(np.hypot(camera.width_px, camera.height_px))
        detail[0x9003] = camera.taken_at
        detail[0x920A] = round(7.0 * focal / longer, 2)  # a sensor 7 mm wide
        detail[0xA405] = round(43.27 * focal / diagonal)  # the diagonal of 36 x 24 mm
        extra["exif"] = exif.tobytes()
    picture.save(out, "JPEG", quality=camera.jpeg_quality, subsampling="4:2:0", **extra)
    return out.getvalue()
