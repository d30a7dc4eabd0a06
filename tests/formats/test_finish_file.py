"""Finish files: read, written, and what is wrong in them said with its place."""

import pytest

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.formats.finish_file import finish_from_table, finish_to_table
from gapvision.judgement import film_loss
from gapvision.judgement.films import FILMS


def test_mils_and_micrometres_are_the_same_film():
    # 1 mil = 25.4 um exactly: 2.0 to 2.5 mil of clear coat are 50.8 to 63.5 um
    mil = finish_from_table({"coats": [{"kind": "x", "film": ["2 mil", "2.5mil"], "stays": 1}]})
    metric = finish_from_table({"coats": [{"kind": "x", "film": ["50.8um", "63.5um"], "stays": [1, 1]}]})
    assert film_loss(mil) == film_loss(metric)
    assert film_loss(mil).least_mm == pytest.approx(0.1016)


def test_plan_file_and_back():
    table = {
        "stage": "primed",
        "smallest_gap": "3mm",
        "movement": "1/64in",
        "coats": [
            {"kind": "epoxy primer", "coats": 2},
            {"kind": "clear coat", "film": "1 mil", "on": "panel", "already_on": False},
        ],
    }
    plan = finish_from_table(table)
    assert finish_from_table(finish_to_table(plan)) == plan


BAD = [
    ({"coats": [{"kind": "x", "film": "50"}]}, "length-not-understood"),
    ({"coats": [{"kind": "x", "film": ["60um", "50um"]}]}, "finish-nonsense"),
    ({"coats": [{"kind": "x", "film": "50um", "stays": -1}]}, "finish-nonsense"),
    ({"coats": [{"kind": "x", "film": "50um", "on": "roof"}]}, "finish-nonsense"),
    ({"coats": [{"kind": "x", "film": "50um", "coats": 0}]}, "finish-nonsense"),
    ({"coats": [{"film": "50um"}]}, "finish-nonsense"),
    ({"coats": {"kind": "x"}}, "finish-nonsense"),
    ({"stage": "chromed"}, "finish-nonsense"),
    ({"smallest_gap": "0mm"}, "finish-nonsense"),
    ({"coat": []}, "finish-nonsense"),
]


@pytest.mark.parametrize(("table", "code"), BAD)
def test_nonsense(table, code):
    with pytest.raises(GapvisionError) as caught:
        finish_from_table(table)
    assert caught.value.code == code


def test_a_source_is_told_in_plain_words_whenever_it_was_kept():
    """Earlier programs kept 'read: ...', the mark of the table of films; what a person wrote stays."""
    for kept, told in (
        ("read: US aircraft finishing technical manual", "looked up in US aircraft finishing technical manual"),
        ("the can: read twice", "the can: read twice"),
    ):
        plan = finish_from_table({"coats": [{"kind": "epoxy primer", "source": kept}]})
        assert plan.coats[0].source == told
        assert words.coat_row(plan.coats[0], plan, words.MM)[-1] == told
    assert all(not film.told.startswith("read") for film in FILMS.values())
