"""Panel files: read, and what is wrong in them said with its place."""

import numpy as np
import pytest

from gapvision.errors import GapvisionError
from gapvision.formats.panel_file import panel_from_table
from gapvision.judgement import make_plan
from tests.judgement.test_plan import measurement

SEAM = {"name": "left", "preset": "even-road", "panel_edge": "B", "photos": [{"file": "x.json", "at": "0mm"}]}
FILE = {"shape": "bonnet", "width": "1200mm", "length": "1000mm", "seams": [SEAM]}


def load(table, tmp_path, found=None):
    return panel_from_table(table, tmp_path, read_measurement=lambda _: found or measurement(step=0.2))


def test_panel_file(tmp_path):
    table = {
        **FILE,
        "name": "bonnet",
        "rule": "risk",
        "risk": 0.1,
        "seams": [
            {
                **SEAM,
                "safe_limit": [{"at": "0mm", "most": "2mm"}, {"at": "100mm", "most": "1/8in"}],
                "hand": "0.2mm",
                "photos": [{"file": "x.json", "at": "2in"}],
                "marks": [{"name": "punch", "at": "60mm", "from_edge": "30mm"}],
            }
        ],
        "adjusters": [{"name": "hinge", "kind": "hinge", "at": ["-500mm", "50mm"], "travel_x": ["-2mm", "2mm"]}],
        "finish": {"coats": [{"kind": "clear coat", "coats": 2}]},
    }
    panel = load(table, tmp_path)
    assert panel.centre == (0.0, 500.0)
    seam = panel.seams[0]
    assert seam.readings[0].s_mm[0] == pytest.approx(50.8)
    assert seam.trim.safe_at(np.array([100.0])) == pytest.approx([3.175])
    assert panel.adjusters[0].travel_x == (-2, 2)
    assert panel.rule.risk == 0.1
    assert make_plan(panel, free_seams=True).states


BAD = [
    ({**FILE, "without": ["roof"]}, "The panel file: 'roof' under without is no seam of the shape."),
    ({**FILE, "without": ["left"]}, "The panel file: 'left' under without is listed as a seam too."),
    ({**FILE, "shape": "roof"}, "The panel file: 'roof' is no ready shape."),
    ({**FILE, "seams": []}, "The panel file: the panel has no seam."),
    ({**FILE, "colour": "red"}, "The panel file: the line 'colour' is not known."),
    ({**FILE, "width": 1200}, "The panel file, width: 1200 has no unit."),
    ({**FILE, "seams": [{**SEAM, "name": "top"}]}, "The panel file: seam 'top' has no place on the panel."),
    ({**FILE, "seams": [{**SEAM, "photos": []}]}, "The panel file, seams[0]: seam 'left' has no photo."),
    (
        {**FILE, "seams": [{k: v for k, v in SEAM.items() if k != "preset"}]},
        "The panel file, seams[0]: seam 'left' needs either a spec or a preset.",
    ),
    ({**FILE, "seams": [{**SEAM, "panel_edge": "C"}]}, "The panel file, seams[0].panel_edge: 'C' is not known here."),
    (
        {**FILE, "seams": [{**SEAM, "photos": [{"file": "x.json", "at": "0mm", "reverse": True}]}]},
        "The panel file, seams[0].photos[0], 'x.json': in the photo the panel lies on the other side of the seam "
        "than in the shape.",
    ),
    ({**FILE, "seams": [SEAM, SEAM]}, "The panel file: two seams of the panel have the same name."),
    (
        {**FILE, "adjusters": [{"name": "h", "at": ["0mm", "0mm"], "travel_x": ["1mm", "2mm"]}]},
        "The panel file, adjusters[0]: the travel of 'h' does not reach from zero or less to zero or more.",
    ),
    ({**FILE, "adjusters": [{"at": ["0mm", "0mm"]}]}, "The panel file, adjusters[0]: 'name' is missing."),
    ({**FILE, "aim": "cheap"}, "'cheap' is no aim of the move."),
    (
        {"seams": [{**SEAM, "start": ["0mm", "0mm"], "end": ["0mm", "500mm"]}]},
        "The panel file: all seams lie on one line, so it is not clear on which side of it the panel lies.",
    ),
    (
        {"centre": ["100mm", "0mm"], "seams": [{**SEAM, "start": ["0mm", "0mm"], "end": ["0mm", "0mm"]}]},
        "Two points of seam 'left' are the same.",
    ),
]


@pytest.mark.parametrize(("table", "sentence"), BAD, ids=[s[-45:] for _, s in BAD])
def test_bad_panel_files(table, sentence, tmp_path):
    with pytest.raises(GapvisionError) as caught:
        load(table, tmp_path)
    assert (caught.value.code, caught.value.message) == ("panel-file-bad", sentence)
