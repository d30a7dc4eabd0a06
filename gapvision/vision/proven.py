"""A phone's own figures, from a study of gauge pieces, put into a profile and its U."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from gapvision.geometry.uncertainty import combine
from gapvision.model import (
    COVERAGE_FACTOR,
    SMALL_PARTS,
    EdgeProfile,
    FloatArray,
    GapProfile,
    Notice,
    PhoneKey,
    PhoneProof,
    Photo,
    Settings,
    StripView,
    is_too_old,
)

#: Print scales of one printer agree better than this: both lines read to 0.25 mm, of 150 mm, twice.
_PRINTERS_APART = 0.004


def proof_for(
    photo: Photo, settings: Settings, views: Sequence[StripView]
) -> tuple[PhoneProof | None, list[Notice]]:
    """The newest study that speaks of this photo, and what is to be said where none does though some are kept.

    Parameters
    ----------
    photo, settings
        The photo, and how it is measured.
    views : sequence of StripView
        Its strips, as large as their check lines say.
    """
    if not settings.proofs:
        return None, []
    phone = PhoneKey.of(photo, (photo.width_px, photo.height_px))
    taken = date.fromisoformat(photo.taken_at[:10]) if photo.taken_at else date.today()

    def differs(proof: PhoneProof) -> tuple[str, ...]:
        return proof.phone.differs(phone) + ("printer",) * _other_printer(proof, settings, views)

    # That which differs in the fewest things tells best why none is used; of those alike the newest counts.
    nearest = max(settings.proofs, key=lambda p: (-len(differs(p)), not is_too_old(p.made_on, taken), p.made_on))
    said = {name: getattr(nearest, name) for name in ("name", "made_on")}
    if others := differs(nearest):
        return None, [Notice(code="proof-of-another-phone", values=said | {"differs": list(others)})]
    if is_too_old(nearest.made_on, taken):
        return None, [Notice(code="proof-too-old", values=said)]
    said |= {n: getattr(nearest, n) for n in ("photos", "bias_mm", "bias_proven", "growth", "small_share")}
    said["lens"] = nearest.lens is not None
    return nearest, [Notice(code="proof-used", values=said)]


def of_other_lens(proof: PhoneProof) -> Notice:
    """What is said of a photo whose strips contradict the lens of the study."""
    values = {"name": proof.name, "made_on": proof.made_on, "differs": ["lens, as the strips show it"]}
    return Notice(code="proof-of-another-phone", values=values)


def _other_printer(proof: PhoneProof, settings: Settings, views: Sequence[StripView]) -> bool:
    """Whether the strips' check lines say that another printer made them than those of the study; not told: no."""
    strange = [v for v in views if v.sheet not in proof.sheets and settings.print_scale_of(v.sheet)[1]]
    return bool(proof.print_scales) and any(
        min(np.abs(np.subtract(view.print_scale, one)).max() for one in proof.print_scales) > _PRINTERS_APART
        for view in strange
    )


def with_proofs_of_set(profile: GapProfile, proofs: Sequence[PhoneProof]) -> GapProfile:
    """The profile of several photos with the studies that speak of them, none or more.

    A study of single photos does not speak of a set: it makes nothing surer, and its bias is a doubt.
    """
    if not proofs:
        return profile
    widest = max(proofs, key=lambda proof: proof.growth)
    doubt = _doubt_of_bias(widest)
    return with_proof(profile, replace(widest, bias_proven=False, small_share=1.0, bias_std_u_mm=doubt))


def _doubt_of_bias(proof: PhoneProof) -> float:
    """Standard uncertainty of a gap where the bias is left in it [mm]."""
    return float(np.hypot(proof.bias_std_u_mm, 0.5 * proof.bias_mm))


def edge_with_proof(profile: EdgeProfile, proof: PhoneProof) -> EdgeProfile:
    """One edge alone with its phone's study, which is of gaps: that makes no edge surer, half its bias is a doubt."""
    parts = profile.parts_mm | {"phone_bias": np.full(len(profile.s_mm), 0.5 * _doubt_of_bias(proof))}
    if proof.growth > 1:
        parts["phone_growth"] = _growth(parts, proof)
    return replace(profile, parts_mm=parts, expanded_u_mm=COVERAGE_FACTOR * combine(list(parts.values())))


def bias_left_in(notices: Sequence[Notice]) -> list[Notice]:
    """A photo's notices where its study's bias is a doubt and nothing gets surer: in sets, and of one edge alone."""
    told = {"bias_proven": False, "small_share": 1.0, "doubt": True}
    return [replace(n, values={**n.values, **told}) if n.code == "proof-used" else n for n in notices]


def _growth(parts: Mapping[str, FloatArray], proof: PhoneProof) -> FloatArray:
    """What the whole grows by, as a part of its own, where the study found U too small [mm]."""
    return combine(list(parts.values())) * float(np.sqrt(proof.growth**2 - 1))


def with_proof(profile: GapProfile, proof: PhoneProof) -> GapProfile:
    """The profile as the study of its phone corrects it: gap less the proven bias, its U with the study's figures.

    What the study can speak of shrinks as far as it allows; the bias's own doubt is a part, and where the study found U
    too small the whole grows, as a part of its own.
    """
    left = dict.fromkeys(SMALL_PARTS, proof.small_share)
    parts = {name: part * left.get(name, 1.0) for name, part in profile.parts_mm.items()}
    n = len(profile.gap_mm)
    parts["phone_bias"] = np.full(n, proof.bias_std_u_mm)
    if proof.growth > 1:
        parts["phone_growth"] = _growth(parts, proof)
    half = 0.5 * proof.bias_mm * proof.bias_proven
    way = np.sign(np.median(profile.edge_b_mm - profile.edge_a_mm)) if n else 1.0
    return replace(
        profile,
        gap_mm=profile.gap_mm - 2 * half,
        expanded_u_mm=COVERAGE_FACTOR * combine(list(parts.values())),
        edge_a_mm=profile.edge_a_mm + way * half,
        edge_b_mm=profile.edge_b_mm - way * half,
        edge_a_u_mm=profile.edge_a_u_mm * proof.growth,
        edge_b_u_mm=profile.edge_b_u_mm * proof.growth,
        parts_mm=parts,
    )

