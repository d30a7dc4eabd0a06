"""A phone's own figures in a profile and its U; which photos they speak of, and for how long."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.model import EdgeProfile, PhoneKey, PhoneProof, Settings, SheetCheck, StripView
from gapvision.model.proof import program_of
from gapvision.vision.proven import bias_left_in, edge_with_proof, proof_for, with_proof
from gapvision.words import MM, notice
from tests.vision.conftest import photo_of

KEY = PhoneKey(camera="grey phone back 6.1 mm", focal_mm=6.1, focal_35mm_mm=26.0, size_px=(40, 30))
PROOF = PhoneProof(
    name="bench", made_on="2026-03-31", phone=KEY, photos=15, bias_mm=0.04, bias_std_u_mm=0.01, bias_proven=True
)


def photo(**changes):
    seen = photo_of(np.zeros((30, 40), np.uint8), focal=26.0)
    told = {"camera": KEY.camera, "focal_mm": 6.1, "taken_at": "2026-05-09T10:30:00"} | changes
    return replace(seen, **told)


def codes(notices):
    return [n.code for n in notices]


def test_only_the_phone_lens_and_size_of_the_study_are_spoken_of():
    settings = Settings(proofs=(PROOF,))
    found, notices = proof_for(photo(), settings, ())
    assert (found, codes(notices)) == (PROOF, ["proof-used"])
    turned = replace(photo(), grey=np.zeros((40, 30), np.uint8))
    assert proof_for(turned, settings, ())[0] == PROOF, "held upright it is the same phone"
    assert proof_for(photo(), Settings(), ()) == (None, [])


@pytest.mark.parametrize(
    ("other", "said"),
    [
        ({"camera": "other phone"}, "is of another phone, and was not used"),
        ({"camera": ""}, "another phone"),
        ({"focal_mm": 2.2}, "another lens"),
        ({"focal_35mm_mm": 52.0}, "another lens"),
        ({"focal_mm": None}, "another lens"),
        ({"zoom": 2.0}, "another zoom"),
        ({"grey": np.zeros((60, 80), np.uint8)}, "another picture size"),
        ({"app": "Painter 3.1"}, "another app"),
        ({"camera": "other phone", "app": "Painter 3.1"}, "another phone and of another app"),
    ],
)
def test_what_is_of_another_phone_lens_or_app_is_said_and_not_used(other, said):
    found, notices = proof_for(photo(**other), Settings(proofs=(PROOF,)), ())
    assert (found, codes(notices)) == (None, ["proof-of-another-phone"])
    assert said in notice(notices[0], MM)[0]


def test_a_small_update_of_the_phones_program_is_no_other_app():
    # How phones and programs write the tag Software (EXIF 2.3): from memory.
    alike = (("17.4.1", "17.5"), ("S911BXXS3BWK5", "S911BXXS4CXA1"), ("HDR+ 1.0.585804376zd", "HDR+ 1.0.6"))
    for then, now in alike:
        assert program_of(then) == program_of(now)
    for then, now in (("17.4.1", "18.0"), ("17.4.1", ""), ("S911BXXS3BWK5", "Painter 24.0"), ("HDR+ 1.0", "Scan 1.0")):
        assert program_of(then) != program_of(now)


def strip(sheet, along):
    none = np.zeros((0, 2))
    return StripView(
        letter="A", corner_ids=np.zeros(0, int), corners_px=none, corners_mm=none, sheet=sheet,
        print_scale=(along, along),
    )  # fmt: skip


def test_another_printer_is_told_by_the_check_lines_and_the_sheets_number():
    study = replace(PROOF, sheets=(123,), print_scales=((0.993, 0.993),))
    told = Settings(proofs=(study,), print_scale_along=0.999, print_scale_across=0.999, print_scale_checked=True)
    found, notices = proof_for(photo(), told, [strip(None, 0.999)])
    assert (found, codes(notices)) == (None, ["proof-of-another-phone"])
    assert "is of another printer" in notice(notices[0], MM)[0]
    assert proof_for(photo(), told, [strip(None, 0.9945)])[0] == study, "read twice with a steel rule"
    assert proof_for(photo(), told, [strip(123, 0.999)])[0] == study, "the very sheet of the study"
    remembered = Settings(proofs=(study,), sheets=(SheetCheck(
        sheet=7, print_scale_along=0.999, print_scale_across=0.999, checked_on="2026-05-01"),))  # fmt: skip
    assert proof_for(photo(), remembered, [strip(7, 0.999)])[0] is None
    assert proof_for(photo(), Settings(proofs=(study,)), [strip(8, 1.0)])[0] == study, "nobody knows its printer"


def test_the_newest_study_counts_and_none_after_a_year():
    newer = replace(PROOF, made_on="2026-04-30", name="newer")
    assert proof_for(photo(), Settings(proofs=(newer, PROOF)), ())[0] == newer
    for far in ("2027-05-09T10:30:00", "2024-05-09T10:30:00"):
        found, notices = proof_for(photo(taken_at=far), Settings(proofs=(newer, PROOF)), ())
        assert (found, codes(notices)) == (None, ["proof-too-old"]), "a year after, or a year before"
        assert "of this phone, made on 2026-04-30, is more than a year off" in notice(notices[0], MM)[0]
    later = replace(PROOF, made_on="2027-06-30", name="later")
    assert proof_for(photo(), Settings(proofs=(later, PROOF)), ())[0] == PROOF, "the newer one is too far off"


def test_gap_and_u_take_what_the_study_says(make_measurement):
    before = replace(
        make_measurement(gap_mm=np.full(240, 4.8)).profile,
        parts_mm={"edge": np.full(240, 0.03), "scale": np.full(240, 0.04)}, expanded_u_mm=np.full(240, 0.1),
    )  # fmt: skip
    same = with_proof(before, replace(PROOF, bias_proven=False, bias_std_u_mm=0.0))
    assert np.allclose(same.gap_mm, before.gap_mm)
    assert np.allclose(same.expanded_u_mm, before.expanded_u_mm)
    off = with_proof(before, PROOF)
    assert np.allclose(off.gap_mm, 4.76)
    assert np.allclose(off.edge_b_mm - off.edge_a_mm, before.edge_b_mm - before.edge_a_mm - 0.04)
    assert np.allclose(off.expanded_u_mm, 2 * np.sqrt(0.03**2 + 0.04**2 + 0.01**2))
    less = with_proof(before, replace(PROOF, small_share=0.5))
    assert np.allclose(less.expanded_u_mm, 2 * np.sqrt(0.03**2 + 0.02**2 + 0.01**2)), "the edge keeps its doubt"
    more = with_proof(before, replace(PROOF, growth=2.0))
    assert np.allclose(more.expanded_u_mm, 2 * off.expanded_u_mm)
    for one in (off, less, more):  # the parts still make up U
        assert np.allclose(one.expanded_u_mm, 2 * np.sqrt(sum(p**2 for p in one.parts_mm.values())))


def test_in_a_set_the_words_do_not_take_a_bias_off_that_is_left_in():
    """:func:`gapvision.vision.proven.with_proofs_of_set` leaves it in and shrinks nothing; the papers say so."""
    study = replace(PROOF, small_share=0.5)
    alone = proof_for(photo(), Settings(proofs=(study,)), ())[1]
    assert "taken off; scale, blur and repeatability count with 50 %" in notice(alone[0], MM)[0]
    told = notice(bias_left_in(alone)[0], MM)[0]
    assert "left in, as a doubt; no part of U shrinks" in told
    assert "taken off" not in told
    others = proof_for(photo(zoom=2.0), Settings(proofs=(study,)), ())[1]
    assert bias_left_in(others) == others


def test_one_edge_alone_gets_no_surer_by_a_study_of_gaps():
    n = 30
    edge = EdgeProfile(
        s_mm=np.arange(n), place_mm=np.zeros((n, 2)), outward=np.ones((n, 2)), edge_px=np.zeros((n, 2)),
        expanded_u_mm=np.full(n, 0.1), parts_mm={"edge": np.full(n, 0.03), "scale": np.full(n, 0.04)},
    )  # fmt: skip
    found = edge_with_proof(edge, replace(PROOF, small_share=0.5, bias_std_u_mm=0.0))
    assert np.allclose(found.expanded_u_mm, 2 * np.sqrt(0.03**2 + 0.04**2 + 0.01**2)), "half of 0.04 mm is one edge's"
    more = edge_with_proof(edge, replace(PROOF, growth=2.0, bias_std_u_mm=0.0))
    assert np.allclose(more.expanded_u_mm, 2 * found.expanded_u_mm)
