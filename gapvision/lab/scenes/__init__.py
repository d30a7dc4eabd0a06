"""Invented photos of a seam with exact truth, for tests, the demo and the bench.

Nothing that measures may import this room.
"""

from gapvision.lab.scenes.photo import render_grey, render_scene
from gapvision.lab.scenes.scene import CameraSpec, Defect, EdgeSpec, Inside, Line, Lookalike, SceneSpec, StripSpec

__all__ = [
    "CameraSpec",
    "Defect",
    "EdgeSpec",
    "Inside",
    "Line",
    "Lookalike",
    "SceneSpec",
    "StripSpec",
    "render_grey",
    "render_scene",
]
