"""What stands in a file of panels, seams or paint: refusals name the place, and no nonsense ends in a traceback."""

import copy

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gapvision.errors import GapvisionError
from gapvision.formats.finish_file import finish_from_table
from gapvision.formats.panel_file import layout_from_table
from gapvision.formats.specification_file import specification_from_table, specification_to_table
from gapvision.formats.toml import toml_from_text

SPEC = {
    "format": "gapvision-seam/1",
    "name": "rear",
    "side": "left",
    "nominal": [{"at": "0%", "gap": "1/4in"}, {"at": "100%", "gap": "1/8in"}],
    "allow_below": "0.5mm",
    "allow_above": "1/32in",
    "taper_mm_per_m": 2,
    "step": "0.5mm",
    "largest_hole": "5mm",
}
FINISH = {
    "format": "gapvision-finish/1",
    "stage": "primed",
    "smallest_gap": "3mm",
    "movement": "0.5mm",
    "coats": [
        {"kind": "clear coat", "coats": 2, "film": ["1 mil", "30um"], "stays": [0.8, 1.0], "on": "panel"},
        {"kind": "gold", "film": "20um", "stays": 0.9, "stage": "painted", "already_on": False, "source": "the tin"},
    ],
}
PANEL = {
    "format": "gapvision-panel/1",
    "name": "bonnet",
    "shape": "bonnet",
    "width": "1200mm",
    "length": "1000mm",
    "rule": "risk",
    "risk": 0.1,
    "aim": "middle",
    "centre": ["0mm", "500mm"],
    "directions": ["right", "left", "forward", "rearward"],
    "outline": [["0mm", "0mm"], ["900mm", "0mm"], ["450mm", "600mm"]],
    "seams": [
        {
            "name": "left",
            "panel_edge": "A",
            "spec": SPEC,
            "safe_limit": [{"at": "0mm", "most": "2mm"}, {"at": "100mm", "most": "1/8in"}],
            "photos": [{"file": "x.json", "at": "2in"}, {"at": "20in", "reverse": True}],
            "marks": [{"name": "punch", "at": "60mm", "from_edge": "30mm"}],
        },
        {"name": "nose", "points": [["0mm", "0mm"], ["9mm", "0mm"]], "preset": "even-road", "line": "whole"},
        {"name": "slant", "start": ["0mm", "0mm"], "end": ["9mm", "0mm"], "trim": False, "hand": "0.2mm"},
    ],
    "adjusters": [{"name": "hinge", "kind": "hinge", "at": ["-500mm", "50mm"], "travel_x": ["-2mm", "2mm"]}],
    "finish": FINISH,
}
OF_SPEC = {"specification-unreadable", "specification-nonsense", "preset-unknown"}
OF_FINISH = {"finish-nonsense", "length-not-understood"}
READERS = [
    (specification_from_table, SPEC, OF_SPEC),
    (finish_from_table, FINISH, OF_FINISH),
    (layout_from_table, PANEL, OF_SPEC | OF_FINISH | {"panel-file-bad", "rule-unknown", "value-out-of-range"}),
]


def changed(table, way, value):
    """A copy with another value at a place."""
    table = copy.deepcopy(table)
    at = table
    for key in way[:-1]:
        at = at[key]
    at[way[-1]] = value
    return table


@pytest.mark.parametrize(
    ("way", "value", "message", "advice"),
    [
        (
            ("seams", 0, "photos", 1, "at"),
            "60",
            "'bonnet.toml', seams[0].photos[1].at: '60' has no unit.",
            'Write it with its unit, like "60mm".',
        ),
        (
            ("seams", 0, "photos", 1, "At"),
            "60mm",
            "'bonnet.toml', seams[0].photos[1]: the line 'At' is not known.",
            "Did you mean 'at'? Known lines: at, file, reverse.",
        ),
        (
            ("seams", 0, "spec", "nominal", 1, "gap"),
            "thick",
            "'bonnet.toml', seams[0].spec.nominal[1].gap: 'thick' is not a length.",
            "",
        ),
        (("seams", 0, "spec", "nominal", 1, "at"), "x%", "'bonnet.toml', seams[0].spec.nominal[1].at: 'x%' is not", ""),
        (("seams", 0, "spec", "allow_below"), "9mm", "'bonnet.toml', seams[0].spec: the lower limit is a", ""),
        (("seams", 0, "safe_limit", 0, "most"), 3, "'bonnet.toml', seams[0].safe_limit[0].most: 3 has no unit.", ""),
        (("seams", 0, "safe_limit", 0, "most"), "-3mm", "'bonnet.toml', seams[0]: the safe limit is negative", ""),
        (("seams", 0, "panel_edge"), "C", "'bonnet.toml', seams[0].panel_edge: 'C' is not known", "Write A or B."),
        (("seams", 1, "points"), [["0mm", "0mm"]], "'bonnet.toml', seams[1].points: a list of 2 or more is", ""),
        (("seams", 1, "name"), "", "'bonnet.toml', seams[1].name: the text is empty.", ""),
        (("seams", 2, "end"), None, "'bonnet.toml', seams[2]: seam 'slant' has a start or an end only.", ""),
        (
            ("seams", 2, "photos"),
            {"file": "x.json"},
            "'bonnet.toml', seams[2].photos: a list is expected, not a table.",
            "Write each under [[seams.photos]].",
        ),
        (
            ("adjusters", 0, "at"),
            "left",
            "'bonnet.toml', adjusters[0].at: a list is expected, not a text.",
            "Correct the line named and try again; sample_images/panel_example has a whole file.",
        ),
        (("adjusters", 0, "at"), ["1mm"], "'bonnet.toml', adjusters[0].at: a list of 2 is expected here.", ""),
        (("finish", "coats", 1, "film"), ["1um", "2"], "'bonnet.toml', finish.coats[1].film[1]: '2' has no unit.", ""),
        (("finish", "coats", 1, "on"), "roof", "'bonnet.toml', finish.coats[1]: a coat cannot be on 'roof'.", ""),
        (("finish", "coats", 1, "coats"), 21, "'bonnet.toml', finish.coats[1].coats: a number of at most 20 is", ""),
        (("risk",), True, "'bonnet.toml', risk: a number is expected, not true or false.", ""),
        (("rule",), "hope", "'bonnet.toml': there is no decision rule 'hope'.", ""),
        (("format",), "gapvision-seam/1", "'bonnet.toml', format: 'gapvision-seam/1' is not known here.", ""),
    ],
)
def test_a_refusal_names_the_place_and_what_to_do(way, value, message, advice):
    with pytest.raises(GapvisionError) as caught:
        layout_from_table(changed(PANEL, way, value), "'bonnet.toml'")
    assert caught.value.message.startswith(message)
    assert caught.value.next_step == advice if advice else caught.value.next_step.endswith(".")


@pytest.mark.parametrize("name", [" - at `$.0", "x` - at `$.name", "x` - at `$.seams[0]", "`", "$", "a\nb", "é" * 300])
def test_an_unknown_line_may_have_any_name(name):
    for way in ((name,), ("seams", 0, name), ("seams", 0, "spec", name)):
        with pytest.raises(GapvisionError, match=r"the line '.*' is not known\.") as caught:
            layout_from_table(changed(PANEL, way, 1))
        assert caught.value.code in ("panel-file-bad", "specification-unreadable")
        assert len(caught.value.message) < 200


def test_names_of_former_versions_are_read():
    old = {"nominal": "3/16in", "allow_below": "0.5mm", "allow_above": "0.5mm", "flush": "0.8mm", "step_10": "0.3mm"}
    spec = specification_from_table(old)
    assert (spec.step_mm, spec.jump_10_mm) == (0.8, 0.3)
    assert "flush" not in specification_to_table(spec)


@pytest.mark.parametrize("line", [{"allow_below": 1}, {"nominal": 4.5}, {"nominal": [{"at": 0, "gap": "4.5mm"}]}])
def test_a_bare_number_of_a_specification_is_never_taken_as_millimetres(line):
    with pytest.raises(GapvisionError, match="has no unit"):
        specification_from_table({"nominal": "3/16in", "allow_below": "0.5mm", "allow_above": "0.5mm"} | line)


PLAIN = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.sampled_from([10**400, -(10**30), 2**63]),
    st.floats(),
    st.text(max_size=80),
    st.sampled_from(
        ["", "1mm", "-1mm", "0mm", "1/0in", "nan%", "1e999%", "9" * 50 + "mm", "A", "$.x` - at `$.y`", " - at `$.0"]
    ),
    st.datetimes(),
)
ANY = st.recursive(
    PLAIN, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner), max_leaves=6
)


def places(value, way=()):
    """Every place in a nest of tables and lists."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inside in items:
        yield (*way, key)
        yield from places(inside, (*way, key))


def refusal(read, value):
    """What came of reading: a refusal, or None."""
    try:
        read(value)
    except GapvisionError as error:
        return error
    return None


def is_in_words(error, codes):
    return error is None or (error.code in codes and error.message.endswith(".") and len(error.message) < 400)


@pytest.mark.parametrize(("read", "table", "codes"), READERS, ids=["specification", "finish", "panel"])
@pytest.mark.slow
def test_any_table_is_read_or_refused_in_words(read, table, codes):
    assert refusal(read, table) is None  # as it stands it is sound
    change = st.tuples(st.sampled_from(list(places(table))), ANY, st.sampled_from(["put", "drop", "add"]))

    @settings(deadline=None, max_examples=80)
    @given(st.lists(change, min_size=1, max_size=3))
    def spoil(changes):
        spoilt = copy.deepcopy(table)
        for way, value, how in changes:
            try:
                at = spoilt
                for key in way[:-1]:
                    at = at[key]
                if how == "drop":
                    del at[way[-1]]
                else:
                    at[way[-1] if how == "put" else str(value)[:20]] = value
            except (KeyError, IndexError, TypeError, ValueError):
                continue  # an earlier change took the place away
        assert is_in_words(refusal(read, spoilt), codes)

    @settings(deadline=None, max_examples=50)
    @given(ANY)
    def anything(value):
        assert is_in_words(refusal(read, value), codes)

    spoil()
    anything()


@pytest.mark.parametrize(("read", "table", "codes"), READERS, ids=["specification", "finish", "panel"])
@pytest.mark.parametrize("number", [10**400, -(10**30), 2**63, 1e308, float("nan"), float("inf"), -1, 0])
def test_numbers_without_end_at_every_place(read, table, codes, number):
    for way in places(table):
        assert is_in_words(refusal(read, changed(table, way, number)), codes), way


@pytest.mark.parametrize("make", [lambda inside: [inside], lambda inside: {"a": inside}])
@pytest.mark.parametrize(("read", "table", "codes"), READERS, ids=["specification", "finish", "panel"])
def test_tables_deep_in_each_other(read, table, codes, make):
    deep = make(1)
    for _ in range(20_000):
        deep = make(deep)
    assert refusal(read, deep) is not None
    for way in places(table):
        assert is_in_words(refusal(read, changed(table, way, deep)), codes)


@settings(deadline=None)
@given(st.text(max_size=60))
@example("a = " + "[" * 5000)
@example("a = " + "9" * 5000)
@example(".".join("a" * 2000) + " = 1")
def test_any_text_is_toml_or_refused(text):
    error = refusal(lambda text: toml_from_text(text, "the file"), text)
    assert error is None or (error.code == "specification-unreadable" and error.message.startswith("The file "))
