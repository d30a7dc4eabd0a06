"""Sizes of a ready car from a DXF: drawn by ezdxf (the outside), read; what is not understood is refused."""

import ezdxf
import pytest

from gapvision.cli import main
from gapvision.errors import GapvisionError
from gapvision.formats.car_drawing import read_drawing
from gapvision.formats.car_file import read_car


def drawing(path, units=4, scale=1.0, extra=lambda msp: None):
    doc = ezdxf.new(setup=True)
    doc.header["$INSUNITS"] = units
    msp = doc.modelspace()
    msp.add_line((0, 0), (940 * scale, 0), dxfattribs={"layer": "door_length"})
    msp.add_lwpolyline([(0, 0), (0, 600 * scale)], dxfattribs={"layer": "Door height"})
    across = msp.add_linear_dim(base=(0, 50), p1=(0, 0), p2=(1500 * scale, 30 * scale), dxfattribs={"layer": "WIDTH"})
    across.render()
    msp.add_circle((0, 0), 30, dxfattribs={"layer": "wheels"})
    extra(msp)
    doc.saveas(path)
    return path


@pytest.mark.parametrize(("units", "mm"), [(4, 1.0), (1, 25.4), (5, 10.0), (6, 1000.0)])
def test_lines_and_dimensions_on_named_layers_are_read_in_the_drawings_unit(tmp_path, units, mm):
    drawn = read_drawing(drawing(tmp_path / "car.dxf", units, 1 / mm))
    assert drawn.sizes_mm == pytest.approx({"width": 1500.0, "door_length": 940.0, "door_height": 600.0})
    assert "wheels" in drawn.left_out


def test_the_command_takes_sizes_from_a_drawing_and_typed_ones_go_before(tmp_path, capsys):
    file = tmp_path / "mine.toml"
    said = ["car", str(file), "--shape", "two-seat roadster", "--drawing", str(drawing(tmp_path / "car.dxf"))]
    assert main([*said, "--size", "door_height=610mm"]) == 0
    assert "from the drawing: width 1500 mm, door_length 940 mm, door_height 600 mm" in capsys.readouterr().out
    car, _ = read_car(file)
    assert car.seam("left door, sill").length_mm == pytest.approx(940)
    assert car.seam("left door, rear").length_mm == pytest.approx(610)


def spline(msp):
    msp.add_spline([(0, 0), (1, 2), (3, 4)], dxfattribs={"layer": "boot_width"})


def second(msp):
    msp.add_line((0, 0), (900, 0), dxfattribs={"layer": "door_length"})


def point(msp):
    msp.add_line((5, 5), (5, 5), dxfattribs={"layer": "boot_width"})


@pytest.mark.parametrize(
    ("more", "said"),
    [({"extra": spline}, "a spline is no length"), ({"extra": second}, "contradict each other (900.0 mm, 940.0 mm)"),
     ({"extra": point}, "a line is no length"), ({"units": 0}, "does not say its unit")],
)  # fmt: skip
def test_what_is_not_understood_is_refused(tmp_path, more, said):
    with pytest.raises(GapvisionError, match=r"car\.dxf") as refused:
        read_drawing(drawing(tmp_path / "car.dxf", **more))
    assert said in refused.value.message


@pytest.mark.parametrize(
    "data", [b"", b"no drawing", b"0\nSECTION\n2\nENTITIES\n0\nLINE\n", b"\0" * 9, b"Binary DXF\r\n\x1a\0"]
)
def test_no_drawing_and_no_size_are_refused(tmp_path, data):
    (tmp_path / "car.dxf").write_bytes(data)
    with pytest.raises(GapvisionError, match=r"'car\.dxf'"):
        read_drawing(tmp_path / "car.dxf")
    doc = ezdxf.new()
    doc.header["$INSUNITS"] = 4
    doc.modelspace().add_line((0, 0), (5, 0))
    doc.saveas(tmp_path / "none.dxf")
    with pytest.raises(GapvisionError, match="no layer that is named after a size"):
        read_drawing(tmp_path / "none.dxf")
