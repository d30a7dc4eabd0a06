"""What Decide judges by: the seam's own specification as the job keeps it, a ready one, or typed numbers; all prefilled."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import Any, NamedTuple

import streamlit as st

from gapvision.errors import GapvisionError
from gapvision.formats.settings_file import own_specs
from gapvision.formats.specification_file import specification_from_table, specification_to_table
from gapvision.judgement import PRESETS, coat, needed_u, preset, simple_spec
from gapvision.judgement.films import FILMS, SYSTEMS
from gapvision.model import RULES, STAGES, Coat, DecisionRule, FinishPlan, NominalPoint, Specification
from gapvision.page import session, widgets
from gapvision.page.books import records, seam_title, wanted_of
from gapvision.page.session import NEW, OWN_TOLERANCE
from gapvision.page.shown import OnScreen
from gapvision.page.widgets import to_type
from gapvision.records import Job, Seam, data_folder
from gapvision.units import MM_PER_MICROMETRE, MM_PER_MIL
from gapvision.words import needs, rule_title
from gapvision.workshop import finish_of, set_finish

_OF_SEAM = "seam "
#: Field of the page -> label, field of Specification; all lengths.
_LENGTHS = {
    "below": ("Allowed below it", "allow_below_mm"),
    "above": ("Allowed above it", "allow_above_mm"),
    "straightness": ("Straightness of each edge", "straightness_mm"),
    "straightness_100": ("Straightness, any 100 mm", "straightness_100_mm"),
    "jump_10": ("Jump of the gap over 10 mm", "jump_10_mm"),
    "step": ("Step between the faces, either way", "step_mm"),
    "opposite": ("Difference to the other side", "opposite_mm"),
    "length": ("Length of the seam", "length_mm"),
    "taper_over": ("Length that taper is meant for", "taper_over_mm"),
    "photo_at": ("Photo begins, from the seam's start", "photo_at_mm"),
    "largest_hole": ("Largest hole that still proves", "largest_hole_mm"),
}
#: Names of these fields in a specification's file, where they differ.
_IN_FILE = {"below": "allow_below", "above": "allow_above"}


class Place(NamedTuple):
    """Where the photo on screen belongs: a job, and its seam where that is known."""

    job: Job | None = None
    seam: Seam | None = None

    @property
    def seams(self) -> dict[str, Seam]:
        """The job's seams that have a specification, by what the list calls them."""
        if self.job is None:
            return {}
        known = [s for s in records().seams(self.job.job_id) if s.spec]
        return {f"{_OF_SEAM}{s.seam_id}": s for s in known}


def place_of(shown: OnScreen) -> Place:
    """Find the job and the seam of the photo on screen.

    The seam whose stored result it is, or that the photo was saved to; else the one chosen in Measure before the
    photo was taken; else the job that was last looked at, with no seam.
    """
    state, job = st.session_state, None
    with suppress(GapvisionError):  # deleted in the meantime
        if shown.seam_id is not None:
            seam = records().seam(shown.seam_id)
            return Place(records().job(seam.job_id), seam)
        chosen = str(state["save_job"]) if state["what_for"] == "For a job" else str(state.get("job", ""))
        job = records().job(chosen) if chosen and chosen != NEW else None
    if job is None:
        return Place()
    seams = {s.seam_id: s for s in records().seams(job.job_id)}
    saved = [x for x in records().job_lines(job.job_id) if shown.photo.sha256 in (p.original_sha256 for p in x.photos)]
    if saved:
        looked_at = [x.seam_id for x in saved if x.seam_id == state.get("seam")]
        return Place(job, seams.get((looked_at or [saved[-1].seam_id])[0]))
    if state["what_for"] == "For a job":
        by_title = {seam_title(s): s for s in seams.values()}
        return Place(job, by_title.get(str(state["save_seam"])))
    return Place(job)


# --- the specification ------------------------------------------------------------


def choose(shown: OnScreen, place: Place, below: Any) -> tuple[Specification | None, DecisionRule]:
    """Ask what is wanted and by which rule; the numbers come from the choice and can be changed in ``below``."""
    state, own_seams = st.session_state, place.seams
    mine = f"{_OF_SEAM}{place.seam.seam_id}" if place.seam is not None else ""
    about = [mine, shown.photo.sha256]
    if state.get("decide_seam") != about:
        if mine in own_seams:
            state["spec_name"] = mine  # a photo of a seam that has a specification is judged by it
        elif str(state.get("spec_name")).startswith(_OF_SEAM):
            state["spec_name"] = OWN_TOLERANCE  # never by what is wanted of the seam looked at before
    state["decide_seam"] = about
    left, right = st.columns(2)

    def told(name: str) -> str:
        if name in own_seams and place.job is not None:
            return f"{seam_title(own_seams[name])}, as job {place.job.reference} has it"
        return PRESETS[name][0] if name in PRESETS else f"{name}, the shop's own" if name in shops else name

    shops: dict[str, Specification] = {}
    with widgets.telling():
        shops = own_specs(data_folder())
    names = [*own_seams, OWN_TOLERANCE, *PRESETS, *(n for n in shops if n not in (OWN_TOLERANCE, *own_seams))]
    name = widgets.pick("What is wanted", names, "spec_name", told, OWN_TOLERANCE, left)
    if right.selectbox("Decision rule", RULES, key="rule", format_func=rule_title) == "risk":
        right.slider("Accepted risk of being wrong [%]", 1, 20, key="risk")
    rule, spec, source = session.rule(), None, None
    with widgets.telling():
        ready = name in PRESETS or name in shops
        source = preset(name, shops) if ready else wanted_of(own_seams[name]) if name in own_seams else shown.spec
        if source is None:
            if shown.seam_id is None:
                st.info("Give a wanted gap and a tolerance in Measure, or choose a ready specification.")
            else:  # Measure asks for nothing about a result that is kept
                st.info("Nobody said what is wanted of this seam: choose a ready specification above.")
            return None, rule
        with below:
            spec = _numbers(name, source)
    if spec is None:
        return None, rule
    with below, st.expander("What it takes to prove it", key="needs_box"):
        st.write(" ".join(needs(needed_u(spec, rule), widgets.lengths())))
        if spec is source and name != OWN_TOLERANCE:
            st.write(f"Source of this specification: {spec.source}.")
    if spec.needs_place:
        st.info("The wanted gap runs along the seam: type below, under Its numbers, where on it the photo begins.")
        return None, rule
    if spec is not source:
        st.write("Judged by the numbers typed below.")
        if place.seam is not None and st.button(f"Keep them as what is wanted of {seam_title(place.seam)}", key="keep"):
            records().edit_seam(place.seam.seam_id, spec=specification_to_table(spec))
            state["decide_seam"] = None  # what was kept is chosen next
            state["spec_as_filled"] = _texts()
            st.rerun()
    return spec, rule


def _numbers(name: str, source: Specification) -> Specification:
    """Every number of the specification, prefilled, to be changed."""
    state = st.session_state
    signature = [name, repr(specification_to_table(source))]
    if state.get("spec_filled") != signature:
        if (state.get("spec_filled") or [""])[0] == name != OWN_TOLERANCE and _texts() != state["spec_as_filled"]:
            st.warning("What is wanted was changed elsewhere: those numbers stand here now, not the ones typed.")
        # Another tolerance typed in Measure must not wipe out the other lines typed here.
        typed = simple_spec(source.nominal[0].gap_mm, source.allow_below_mm, source.allow_above_mm)
        only = source == typed and name == OWN_TOLERANCE and (state.get("spec_filled") or [""])[0] == name
        _fill(source, ("nominal", "below", "above") if only else ("nominal", *_LENGTHS, "taper"))
        state["spec_filled"] = signature
        state["spec_photo_reverse"] = source.photo_reverse
        state["spec_as_filled"] = _texts()
    with st.expander("Its numbers", key="spec_box"):
        place = "Wanted gap, or place and gap in turn"
        st.text_input(place, key="spec_nominal", placeholder="e.g. 0% 1/4in; 100% 1/8in")
        hints = {"length": "e.g. 760mm", "taper_over": "e.g. 600mm", "photo_at": "e.g. 120mm"}
        fields = ((label, f"spec_{field}", hints.get(field, "no limit")) for field, (label, _) in _LENGTHS.items())
        widgets.text_fields(*fields)
        st.text_input("Taper beside the wanted one [mm per metre]", key="spec_taper", placeholder="no limit")
        st.selectbox(
            "Its stations run", [False, True], key="spec_photo_reverse",
            format_func=lambda back: "towards the seam's start" if back else "from the seam's start",
        )  # fmt: skip
        st.write("An empty line sets no limit. Lengths are written like 4.76mm, 0.1875in or 3/16in.")
    if _texts() == state["spec_as_filled"]:
        return source  # to its last digit
    table: dict[str, Any] = {"nominal": _nominal_from(state["spec_nominal"])}
    for field in _LENGTHS:
        if text := state[f"spec_{field}"].strip():
            table[_IN_FILE.get(field, field)] = _with_unit(text)
    if text := state["spec_taper"].strip().replace(",", "."):
        try:
            table["taper_mm_per_m"] = float(text)
        except ValueError:
            said = f"'{text}' is not a taper."
            raise GapvisionError("value-out-of-range", said, "Write mm per metre, e.g. 2, or nothing.") from None
    if table.get("photo_at"):
        table["photo_reverse"] = bool(state["spec_photo_reverse"])
    for word in ("name", "panel", "side", "direction"):
        table[word] = getattr(source, word)
    return replace(specification_from_table(table, "the specification"), source=source.source)


def _texts() -> list[str]:
    """What stands in the fields."""
    return [str(st.session_state.get(f"spec_{field}", "")) for field in ("nominal", *_LENGTHS, "taper", "photo_reverse")]


def _fill(spec: Specification, fields: tuple[str, ...]) -> None:
    """Type a specification into its fields, in the unit chosen."""
    for field in fields:
        if field == "nominal":
            text = _nominal_text(spec)
        elif field == "taper":
            text = "" if spec.taper_mm_per_m is None else f"{spec.taper_mm_per_m:.6g}"
        else:
            value = getattr(spec, _LENGTHS[field][1])
            text = "" if value is None else to_type(value)
        st.session_state[f"spec_{field}"] = text


def _nominal_text(spec: Specification) -> str:
    if len(spec.nominal) == 1:
        return to_type(spec.nominal[0].gap_mm)

    def at(point: NominalPoint) -> str:
        return f"{100 * point.at:.6g}%" if spec.at_unit == "share" else to_type(point.at)

    return "; ".join(f"{at(p)} {to_type(p.gap_mm)}" for p in spec.nominal)


def _nominal_from(text: str) -> Any:
    """The form of the specification's file: one length, or a list of places with their gaps."""
    if ";" not in text:
        return _with_unit(text.strip())
    points = []
    for part in text.split(";"):
        at, _, gap = part.strip().partition(" ")
        at = at if at.endswith("%") else _with_unit(at)
        points.append({"at": at, "gap": _with_unit(gap.strip())})
    return points


def _with_unit(text: str) -> str:
    """A bare number is mm only where :func:`widgets.typed_length` takes it so; else the specification refuses it."""
    bare = text[-1:].isdigit() and widgets.unit() == "mm" and "/" not in text
    return f"{text}mm" if bare else text


# --- paint ------------------------------------------------------------------------


def paint(place: Place) -> FinishPlan | None:
    """Coats still to come: those kept with the job, or chosen here."""
    kept = None if place.job is None else finish_of(records(), place.job.job_id)
    _fill_paint(place, kept)
    own = {} if kept is None else {c.kind: c for c in kept.coats}
    with st.expander("Paint", key="paint_box"):
        st.write("Typical dry films of one coat; the paint maker's data sheet rules.")
        _system()
        stage = st.selectbox("The photo shows", list(STAGES), key="finish_stage")
        options = [*FILMS, *(k for k in own if k not in FILMS)]
        there = st.session_state["finish_kinds"]
        if not set(there) <= set(options):  # another job's own kind of coat
            st.session_state["finish_kinds"] = [k for k in there if k in options]
        kinds = st.multiselect("Coats, in all", options, key="finish_kinds")
        coats = [_coat(kind, own.get(kind)) for kind in kinds]
        smallest, movement = widgets.length_fields(
            ("Smallest finished gap that does not chip", "smallest_gap", "e.g. 3mm or 1/8in"),
            ("Allowance for swing and movement", "movement", "e.g. 0.5mm"),
        )
        if not coats:
            return None
        plan = FinishPlan(coats=tuple(coats), stage=stage, smallest_gap_mm=smallest, movement_mm=movement or 0.0)
        if place.job is not None:
            widgets.warn_of_change(f"paint {place.job.job_id}", repr(kept), changed_here=plan != kept)
        if place.job is not None and plan != kept:
            if st.button(f"Keep this paint with job {place.job.reference}", key="keep_paint"):
                set_finish(records(), place.job.job_id, plan)
                st.rerun()
        elif kept is not None and place.job is not None:
            st.write(f"As job {place.job.reference} has it.")
    return plan


def _system() -> None:
    """Ready systems of coats: one tap fills the list below."""
    with st.container(horizontal=True):
        for number, (name, coats) in enumerate(SYSTEMS.items()):
            if st.button(name.capitalize(), key=f"system_{number}"):
                st.session_state["finish_kinds"] = [kind for kind, _ in coats]
                for kind, count in coats:
                    st.session_state[f"coats_{kind}"] = count


def _fill_paint(place: Place, kept: FinishPlan | None) -> None:
    """Type the job's paint into the fields, once for each job."""
    state = st.session_state
    before = state.get("spec_paint_of")
    if place.job is None or before == place.job.reference:
        return
    if kept is None:
        if before is not None:  # what stands there is another job's paint
            state["spec_paint_of"] = None
            state["finish_kinds"], state["smallest_gap"], state["movement"] = [], "", ""
        return
    state["spec_paint_of"] = place.job.reference
    state["finish_stage"] = kept.stage
    state["finish_kinds"] = [c.kind for c in kept.coats]
    for c in kept.coats:
        state[f"coats_{c.kind}"], state[f"film_{c.kind}"] = c.coats, tuple(c.film_um)
        for typed in [k for k in map(str, state) if k.startswith(f"dry_{c.kind}_")]:
            del state[typed]
    state["smallest_gap"] = "" if kept.smallest_gap_mm is None else to_type(kept.smallest_gap_mm)
    state["movement"] = to_type(kept.movement_mm) if kept.movement_mm else ""


def _film(place: Any, label: str, key: str, usual_um: float) -> float:
    """A film's thickness as a number, in micrometre or mil; as it was, not as rounded for showing [micrometre]."""
    mil = widgets.unit() != "mm"
    one, decimals = (MM_PER_MIL / MM_PER_MICROMETRE, 2) if mil else (1.0, 0)
    shown = round(usual_um / one, decimals)
    value = place.number_input(
        f"{label} [{'mil' if mil else 'micrometre'}]", 0.0, 3000.0 / one, shown, 0.1 if mil else 1.0,
        format=f"%.{decimals}f", key=f"{key}_mil" if mil else key,
    )  # fmt: skip
    return usual_um if abs(value - shown) < 1e-9 else float(value) * one


def _coat(kind: str, kept: Coat | None) -> Coat:
    """Number and film of one kind of coat; edge and share stay as the job has them."""
    film = FILMS.get(kind)
    usual = kept.film_um if kept is not None else film.film_um if film is not None else (0.0, 0.0)
    state, key = st.session_state, f"film_{kind}"
    state.setdefault(f"coats_{kind}", kept.coats if kept is not None else 1)
    if not isinstance(state.get(key), tuple):  # none yet, or a list out of the draft
        state[key] = tuple(state.get(key, usual))
    left, middle, right = st.columns(3)
    count = left.number_input(f"{kind}: coats", 1, 20, key=f"coats_{kind}")
    low, high = sorted(
        _film(place, f"{kind}: film of one coat, {word}", f"dry_{kind}_{word}", state[key][k])
        for k, (place, word) in enumerate(((middle, "least"), (right, "most")))
    )
    state[key] = (low, high)
    if kept is not None and (low, high) == kept.film_um:
        right.write(kept.source)
        return replace(kept, coats=int(count))
    if kept is not None:
        return replace(kept, coats=int(count), film_um=(low, high), source="entered by the user")
    if film is not None:
        right.write(film.told)
    changed = {} if film is not None and (low, high) == film.film_um else {"film_um": (low, high)}
    return coat(kind, int(count), **changed)
