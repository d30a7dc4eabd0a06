"""A phone's own figures in a profile and its U; which photos they speak of, and for how long."""

from dataclasses import replace

import numpy as np

from gapvision.model import PhoneKey, PhoneProof, Settings
from gapvision.vision.proven import proof_for, with_proof
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
    found, notices = proof_for(photo(), settings)
    assert (found, codes(notices)) == (PROOF, ["proof-used"])
    turned = replace(photo(), grey=np.zeros((40, 30), np.uint8))
    assert proof_for(turned, settings)[0] == PROOF, "held upright it is the same phone"
    others = ({"camera": "other phone"}, {"focal_mm": 2.2}, {"focal_35mm_mm": 52.0}, {"camera": ""}, {"focal_mm": None})
    for other in others:
        assert proof_for(photo(**other), settings)[0] is None
        assert codes(proof_for(photo(**other), settings)[1]) == ["proof-of-another-phone"]
    assert proof_for(photo(), Settings()) == (None, [])


def test_the_newest_study_counts_and_none_after_a_year():
    newer = replace(PROOF, made_on="2026-04-30", name="newer")
    assert proof_for(photo(), Settings(proofs=(newer, PROOF)))[0] == newer
    late = photo(taken_at="2027-05-09T10:30:00")
    found, notices = proof_for(late, Settings(proofs=(newer, PROOF)))
    assert (found, codes(notices)) == (None, ["proof-too-old"])


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

