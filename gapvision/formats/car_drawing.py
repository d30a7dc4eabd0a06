"""Sizes of a ready car from a drawing (DXF).

What is read: on a layer named after a size of a ready car (``width``, ``door_length`` ...; capitals, blanks and hyphens
do not matter) the straight lines, polylines of one straight piece, and linear or aligned dimensions.  Each gives its
length, a dimension what it spans; those of one layer must agree.  Unit: the drawing's own ($INSUNITS).  All other
layers are left out, and how many they are is told; anything else on a layer so named is refused.
"""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from gapvision.errors import GapvisionError, require
from gapvision.formats.declared import read_file
from gapvision.judgement.car_shapes import CAR_SIZES
from gapvision.units import MM_PER_INCH, format_mm

if TYPE_CHECKING:
    from ezdxf.document import Drawing

_MOST_BYTES, _MOST_ENTITIES = 20_000_000, 200_000
_AGREE_MM = 0.5  # lengths of one layer that differ by more contradict each other
#: $INSUNITS -> its length in mm (DXF reference, from memory).
_UNITS = {1: MM_PER_INCH, 2: 12 * MM_PER_INCH, 4: 1.0, 5: 10.0, 6: 1000.0}
_LINEAR = (0, 1)  # dimension types: linear (along its own angle) and aligned


class DrawnSizes(NamedTuple):
    """Sizes that were read [mm], and the names of the layers that were left out."""

    sizes_mm: dict[str, float]
    left_out: tuple[str, ...]


def read_drawing(path: str | Path) -> DrawnSizes:
    """Read the sizes of a ready car from a DXF file.

    Raises
    ------
    GapvisionError
        ``car-file-bad`` for what is no drawing, has no unit, no size, two lengths for one, or something else on such a
        layer; ``file-not-found`` and the like.
    """
    name = Path(path).name
    drawing = _opened(read_file(path, _MOST_BYTES), name)
    unit = _UNITS.get(int(drawing.header.get("$INSUNITS", 0)))
    said = f"'{name}' does not say its unit as mm, cm, m, inches or feet."
    require("car-file-bad", unit is not None, said, "Set the drawing's unit ($INSUNITS) and save it again.")
    assert unit is not None
    found: dict[str, list[float]] = {}
    others: dict[str, None] = {}
    entities = list(drawing.modelspace())
    require("car-file-bad", len(entities) <= _MOST_ENTITIES, f"'{name}' holds more than {_MOST_ENTITIES:,} entities.")
    for entity in entities:
        layer = str(entity.dxf.layer)
        size = layer.strip().casefold().replace("-", "_").replace(" ", "_")
        if size not in CAR_SIZES:
            others[layer] = None
            continue
        length = _length(entity)
        what = f"'{name}', layer '{layer}': a {entity.dxftype().lower()} is no length that can be read."
        require("car-file-bad", length is not None, what, "Draw the size as one straight line or a linear dimension.")
        assert length is not None
        found.setdefault(size, []).append(length * unit)
    known = f"Name the layers {', '.join(CAR_SIZES)}."
    require("car-file-bad", bool(found), f"'{name}' has no layer that is named after a size of a ready car.", known)
    for size, lengths in found.items():
        differ = ", ".join(format_mm(v, 1) for v in sorted(lengths)[:: max(1, len(lengths) - 1)])
        said = f"'{name}', layer '{size}': its lengths contradict each other ({differ})."
        require("car-file-bad", max(lengths) - min(lengths) <= _AGREE_MM, said, "Leave one of them.")
    return DrawnSizes({s: found[s][0] for s in CAR_SIZES if s in found}, tuple(others))


def _opened(data: bytes, name: str) -> Drawing:
    from ezdxf.filemanagement import read
    from ezdxf.lldxf.const import DXFError
    from ezdxf.lldxf.encoding import decode_dxf_unicode

    require("car-file-bad", len(data) <= _MOST_BYTES, f"'{name}' is larger than {_MOST_BYTES // 1_000_000} MB.")
    text = data.decode("utf-8", errors="replace")
    what = GapvisionError("car-file-bad", f"'{name}' is no DXF drawing that can be read.", "Save it as DXF, as text.")
    if b"\0" in data[:64]:  # a DXF of bytes; a text has none
        raise what
    try:
        return read(io.StringIO(decode_dxf_unicode(text)))
    except (DXFError, ValueError, KeyError, IndexError, TypeError, AttributeError, OSError):
        raise what from None


def _length(entity: Any) -> float | None:
    """Of a straight line, or what a dimension spans, in the drawing's unit; None for anything else."""
    kind, own = entity.dxftype(), entity.dxf
    if kind == "LINE":
        return _sound(math.dist(own.start, own.end))
    if kind == "LWPOLYLINE" and len(entity) == 2 and not entity.closed and not any(p[4] for p in entity.get_points()):
        a, b = (tuple(p[:2]) for p in entity.get_points())
        return _sound(math.dist(a, b))
    if kind == "DIMENSION" and entity.dimtype in _LINEAR:
        return _sound(abs(float(entity.get_measurement())))
    return None


def _sound(length: float) -> float | None:
    return length if math.isfinite(length) and length > 0 else None
