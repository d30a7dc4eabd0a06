"""Exact truth of a scene, in the fields of the shared truth files."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.scenes import space
from gapvision.lab.scenes.scene import EdgeSpec, SceneSpec
from gapvision.targets import strip

_STEP_MM = 0.5
# Truth reaches as far as the yardstick's own seam, and beyond the outermost strip of a longer one.
_HALF_MM, _BEYOND_STRIP_MM = 450.0, 200.0


def _round(values: NDArray[Any], digits: int) -> list[Any]:
    return [[None if not np.isfinite(v) else round(float(v), digits) for v in row] for row in values]


def outline_point(edge: EdgeSpec, m: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Where a line of sight of slope m just touches an edge.

    Returns
    -------
    x, n : ndarray
        Offset from the extreme point (towards the gap) and height below the panel's face [mm].
    """
    r = edge.radius_mm
    lean = np.sqrt(1 + m * m)
    x, n = -r + r / lean, -r - r * m / lean
    if edge.kind == "cut":  # seen from the far side, the lower rim of the cut face
        x, n = np.where(m > 0, 0.0, x), np.where(m > 0, -edge.thickness_mm, n)
    return x, n


def edge_form(x: NDArray[Any], y: NDArray[Any]) -> dict[str, float]:
    """Minimum zone and least-squares form of an edge; slow and plain, by the hull's edges."""
    from scipy.spatial import ConvexHull

    slope, start = np.polyfit(x, y, 1)
    rest = (y - slope * x - start) / np.hypot(1, slope)
    points = np.stack([x, y], axis=-1)
    zone = 0.0
    if np.ptp(rest) > 1e-9:
        hull = points[ConvexHull(points).vertices]
        side = np.roll(hull, -1, axis=0) - hull
        normal = np.stack([-side[:, 1], side[:, 0]], axis=-1) / np.linalg.norm(side, axis=1, keepdims=True)
        zone = float(np.ptp(hull @ normal.T, axis=0).min())
    return {"min_zone_mm": zone, "lsq_mm": float(np.ptp(rest)), "lsq_rms_mm": float(rest.std())}


def scene_truth(
    spec: SceneSpec, panel: space.PanelSurface, seam: space.SeamLine | space.ClosedLine, lens: space.Lens, seed: int
) -> dict[str, Any]:
    """Work out where everything lies in the picture.

    Returns
    -------
    dict
        Ready for JSON.
    """
    half = max([_HALF_MM, *(abs(one.s_mm) + _BEYOND_STRIP_MM for one in spec.strips)])
    sigma = np.arange(-half, half + _STEP_MM / 2, _STEP_MM)
    if isinstance(seam, space.ClosedLine):
        sigma = np.arange(0.0, seam.round_mm, _STEP_MM)
    t_a, t_b = space.edge_offsets(spec, sigma)
    n_a, n_b = -spec.edge_a.radius_mm, spec.step_mm - spec.edge_b.radius_mm

    def pixel(at: NDArray[Any], offset: NDArray[Any], n: Any) -> NDArray[Any]:
        return lens.project(panel.point(*seam.place(at, offset), n))

    def lean(offset: NDArray[Any], n: Any) -> tuple[NDArray[Any], NDArray[Any]]:
        """Offset and distance along the seam that a line of sight gains per mm of height."""
        here = panel.point(*seam.place(sigma, offset), n)
        direction = here - lens.position
        gained = []
        for height in (0.0, -2.0):
            hits = [panel.hit(lens.position, d[None], height) for d in direction]
            s, t = (np.array([h[i][0] for h in hits]) for i in (0, 1))
            gained.append(seam.locate(s, t))
        return (gained[0][1] - gained[1][1]) / 2, (gained[0][0] - gained[1][0]) / 2

    pixels = {"A": pixel(sigma, t_a, n_a), "B": pixel(sigma, t_b, n_b)}
    outline = {}
    for side, edge, offset, n, sign, base in (
        ("A", spec.edge_a, t_a, n_a, 1, 0.0),
        ("B", spec.edge_b, t_b, n_b, -1, spec.step_mm),
    ):
        m, _ = lean(offset, n)
        x, depth = outline_point(edge, sign * m)
        outline[side] = pixel(sigma, offset + sign * x, base + depth)
    seen = {
        side: (p[:, 0] >= 0) & (p[:, 1] >= 0) & (p[:, 0] <= lens.width - 1) & (p[:, 1] <= lens.height - 1)
        for side, p in pixels.items()
    }
    some = np.nonzero(seen["A"] | seen["B"])[0]
    keep = slice(some[0], some[-1] + 1) if len(some) else slice(0, 0)
    both = (seen["A"] & seen["B"])[keep]
    s, gap = sigma[keep], (t_b - t_a)[keep]
    straight = spec.seam_radius_mm is None and spec.closed_mm is None
    kind: dict[str, Any] = {"kind": "straight"} if straight else {"kind": "arc", "radius": spec.seam_radius_mm}
    if spec.closed_mm is not None:
        kind = {"kind": "closed", "size": list(spec.closed_mm)}
    forms: dict[str, Any] = {}
    for side, edge_t in (("A", t_a[keep]), ("B", t_b[keep])):
        none = dict.fromkeys(("min_zone_mm", "lsq_mm", "lsq_rms_mm"))
        forms[side] = edge_form(s[both], edge_t[both]) if straight and both.sum() > 4 else none
    truth: dict[str, Any] = {
        "schema": 1,
        "name": spec.name,
        "set": "invented",
        "generator": "gapvision.lab.scenes",
        "expect": spec.expect,
        "reason": spec.reason,
        "accept": list(spec.accept),
        "seed": seed,
        "print_scale": [spec.print_scale_along, spec.print_scale_across],
        "image": f"{spec.name}.jpg",
        "image_size_upright": [lens.width, lens.height],
        "exif_orientation": spec.camera.orientation,
        "camera": {
            "K": [[lens.focal, 0, float(lens.centre[0])], [0, lens.focal, float(lens.centre[1])], [0, 0, 1]],
            "dist": [lens.k1, lens.k2, 0, 0, 0],
            "R": lens.rotation.tolist(),
            "t": lens.shift.tolist(),
            "size": [lens.width, lens.height],
            "distance_mm": spec.camera.distance_mm,
            "tilt_t_deg": spec.camera.tilt_across_deg,
            "tilt_s_deg": spec.camera.tilt_along_deg,
            "roll_deg": spec.camera.roll_deg,
        },
        "surface": {
            "type": "flat" if spec.bend == "flat" else "cylinder",
            "radius": None if spec.bend == "flat" else spec.bend_radius_mm,
            "bend": {"flat": None, "along": "s", "across": "t"}[spec.bend],
        },
        "seam": kind,
        "flush_mm": spec.step_mm,
        "edge_types": {
            **{side: _edge_type(e) for side, e in (("A", spec.edge_a), ("B", spec.edge_b))},
            "extreme_n": {"A": n_a, "B": n_b},
        },
        "strips": [_strip_truth(spec, one, panel, seam, lens) for one in spec.strips],
        "edges": {
            "step_mm": _STEP_MM,
            "s": [float(v) for v in s],
            "tA": [round(float(v), 5) for v in t_a[keep]],
            "tB": [round(float(v), 5) for v in t_b[keep]],
            "gap": [round(float(v), 5) for v in gap],
            "A_px": _round(pixels["A"][keep], 3),
            "B_px": _round(pixels["B"][keep], 3),
            "A_outline_px": _round(outline["A"][keep], 3),
            "B_outline_px": _round(outline["B"][keep], 3),
            "A_visible": seen["A"][keep].astype(int).tolist(),
            "B_visible": seen["B"][keep].astype(int).tolist(),
            "visible": both.astype(int).tolist(),
        },
        "straightness": forms,
        "finishes": {"A": spec.edge_a.finish, "B": spec.edge_b.finish},
        "backlight": {"kind": "even light"} if spec.inside.kind == "backlit" else None,
        "render": {
            "jpeg_q": spec.camera.jpeg_quality,
            "px_per_mm": lens.focal / spec.camera.distance_mm,
            **({"gap_over_clip": _most(spec)} if spec.inside.kind == "backlit" else {}),
        },
        "notes": spec.notes,
    }
    if both.any():
        g = gap[both]
        truth["summary"] = {
            "visible_s": [float(s[both][0]), float(s[both][-1])],
            "mean_gap": float(g.mean()),
            "median_gap": float(np.median(g)),
            "min_gap": float(g.min()),
            "max_gap": float(g.max()),
            "taper_mm_per_m": float(np.polyfit(s[both], g, 1)[0] * 1000) if both.sum() > 2 else 0.0,
        }
    return truth


def _most(spec: SceneSpec) -> float:
    return max(spec.inside.level, spec.inside.level_end or 0.0)


def _edge_type(edge: EdgeSpec) -> dict[str, Any]:
    if edge.kind == "roll":
        return {"type": "hem", "r": edge.radius_mm}
    return {"type": "cut", "brk": edge.radius_mm, "thick": edge.thickness_mm}


def _strip_truth(
    spec: SceneSpec, one: Any, panel: space.PanelSurface, seam: space.SeamLine | space.ClosedLine, lens: space.Lens
) -> dict[str, Any]:
    s, t, n = space.strip_to_panel(spec, one, strip.corners_mm()[strip.corner_ids(one.short)])
    px = lens.project(panel.point(s, t, n))
    inside = (px[:, 0] >= 0) & (px[:, 1] >= 0) & (px[:, 0] <= lens.width - 1) & (px[:, 1] <= lens.height - 1)
    reach = None
    if inside.any():
        sigma, _ = seam.locate(s[inside], t[inside])
        reach = [float(sigma.min()), float(sigma.max())]
    s0, t0, face = space.strip_place(spec, one)
    return {
        "letter": one.letter,
        **({} if one.sheet is None else {"sheet": one.sheet}),
        "side": one.side,
        "s0": s0,
        "t0": t0,
        "angle_deg": one.angle_deg,
        "thickness_mm": strip.FACE_HEIGHT_MM,
        "paper_n_mm": face,
        "corners_in_frame": int(inside.sum()),
        "corners_total": len(px),
        "corners_px": _round(px, 3),
        "reach_sigma": reach,
    }
