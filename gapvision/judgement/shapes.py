"""Ready shapes of panels: all that is known of one stands in one row of :data:`SHAPES`."""

from __future__ import annotations

from dataclasses import dataclass

from gapvision.errors import GapvisionError
from gapvision.model import Point

#: A seam from its start to its end, in shares of the shape's width and length.
_Ends = tuple[Point, Point]


@dataclass(frozen=True, slots=True)
class Shape:
    """One ready shape.

    Attributes
    ----------
    seams : dict of str to two points
        Each seam's start and end, as shares of width and length.
    directions : four words
        For x+, x-, y+, y- in the panel's plane.
    usual_mm : (float, float)
        Width and length that the page offers first [mm]; common practice, no source.
    size_words : (str, str)
        What width and length are on this shape.
    lid : bool
        Seen from above, so that a photo shows on which side of the seam the panel lies.
    sides : bool
        There is one on the left and one on the right of the car.
    cautions : tuple of str
        Keys of ``words.CAUTIONS`` that moving it needs.
    """

    seams: dict[str, _Ends]
    directions: tuple[str, str, str, str]
    usual_mm: tuple[float, float]
    size_words: tuple[str, str]
    lid: bool
    sides: bool
    cautions: tuple[str, ...]

    def places(self, width_mm: float, length_mm: float) -> dict[str, tuple[Point, ...]]:
        """Each seam's start and end in the panel's plane [mm]."""
        if not (width_mm > 0 and length_mm > 0):
            raise GapvisionError("panel-file-bad", "A ready shape needs its width and its length, both above zero.")
        return {k: tuple((x * width_mm, y * length_mm) for x, y in ends) for k, ends in self.seams.items()}


_LID_DIRECTIONS = ("to the right", "to the left", "forward", "rearward")
_LID_SIZES = ("Across the car", "Along the car")
# x to the right, y forward, origin in the middle of the rear edge.
_LEFT, _RIGHT = ((-0.5, 1.0), (-0.5, 0.0)), ((0.5, 1.0), (0.5, 0.0))
_FRONT, _REAR = ((-0.5, 1.0), (0.5, 1.0)), ((-0.5, 0.0), (0.5, 0.0))

#: Name -> shape. Lids: left and right run from front to rear, front and rear from left to right.
#: Door: x rearward, y up, origin at the lower front corner; front and rear run downwards, sill and top rearward.
SHAPES = {
    "bonnet": Shape(
        {"left": _LEFT, "right": _RIGHT, "rear": _REAR},
        _LID_DIRECTIONS, (1300.0, 1100.0), _LID_SIZES, True, False, ("prop", "latch"),
    ),
    "door": Shape(
        {
            "front": ((0.0, 1.0), (0.0, 0.0)), "rear": ((1.0, 1.0), (1.0, 0.0)),
            "sill": ((0.0, 0.0), (1.0, 0.0)), "top": ((0.0, 1.0), (1.0, 1.0)),
        },
        ("rearward", "forward", "up", "down"), (950.0, 700.0), ("Along the car", "Upwards"), False, True,
        ("door-latch",),
    ),
    "boot lid": Shape(
        {"left": _LEFT, "right": _RIGHT, "front": _FRONT, "rear": _REAR},
        _LID_DIRECTIONS, (1100.0, 700.0), _LID_SIZES, True, False, ("prop", "door-latch"),
    ),
}  # fmt: skip


def ready_shape(name: str) -> Shape:
    """A shape by its name.

    Raises
    ------
    GapvisionError
        ``panel-file-bad`` for another name.
    """
    if name not in SHAPES:
        raise GapvisionError(
            "panel-file-bad",
            f"'{name}' is no ready shape.",
            f"Choose {', '.join(list(SHAPES)[:-1])} or {list(SHAPES)[-1]}, or give each seam its start and end.",
        )
    return SHAPES[name]
