"""Where a panel's description comes from: kept with the job, a ready shape, or a file of the shop's own."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Any, NamedTuple

import streamlit as st

from gapvision.errors import GapvisionError
from gapvision.formats.panel_file import FORMAT, layout_from_table, together
from gapvision.formats.toml import toml_from_text
from gapvision.judgement import PRESETS, SHAPES
from gapvision.model import PanelLayout
from gapvision.page import session, widgets
from gapvision.page.books import records
from gapvision.records import Job
from gapvision.units import MM_PER_INCH, parse_length
from gapvision.workshop import panels_of, set_panel

_READY = "ready shape: "
#: Fields that are empty again once what they say was added.
_ADDED = (
    *("add_adjuster", "add_x", "add_y", "add_seam", "add_start_x", "add_start_y", "add_end_x", "add_end_y"),
    *(f"add_travel_{way}_{end}" for way in ("x", "y", "out") for end in ("back", "on")),
)


class Source(NamedTuple):
    """The panel on screen.

    ``name`` is what the job's list of panels calls it; ``base`` and ``text`` are its file as it is kept or ready, and as
    it is now; ``photos`` says where its photos lie, as kept with the job.
    """

    reference: str
    name: str
    side: str
    base: str
    text: str
    photos: dict[str, Any]

    @property
    def key(self) -> str:
        """Tells it from other panels of other jobs, for widgets and drafts."""
        return _key(self.reference, self.name, self.side)

    def layout(self) -> PanelLayout:
        """Read it."""
        return layout_from_table(toml_from_text(self.text, "the panel file"))


class Offer(NamedTuple):
    """A panel that can be proposed: as :class:`Source`, its own name, and its seams."""

    key: str
    name: str
    side: str
    panel: str
    seams: tuple[str, ...]
    photos: dict[str, Any]


def choose(job: Job, place: Any, below: Any, badness: Callable[[Offer], Any]) -> Source:
    """Ask in ``place`` which panel; ``below``, a ready shape asks for its size.

    Proposed is the worst by ``badness``; one that a person chose or worked on stays.
    """
    kept, state = panels_of(records(), job.job_id), st.session_state
    options = [*kept, *(_READY + shape for shape in SHAPES)]
    mine, side = (state.get(key, {}).get(job.reference) for key in ("panel_chosen", "panel_sides"))
    other = state.get("panel_of_job") != job.reference  # whose door may be of another side
    if mine in options:
        if state.get("panel_shape") != mine:
            state["panel_shape"] = mine
        if other and side is not None and state.get("panel_side") != side:
            state["panel_side"] = side
    elif other or not session.on_screen("panel_shape"):
        worst = max(_offers(job, kept), key=badness)  # the first of those as bad
        state["panel_shape"] = worst.name
        if worst.side or other:
            state["panel_side"] = worst.side
    state["panel_of_job"] = job.reference

    def changed() -> None:
        """Keep the choice; of a door whose side nobody said, propose the worse one."""
        worst = max((x for x in _offers(job, kept) if x.name == state["panel_shape"]), key=badness, default=None)
        if worst and not state["panel_side"] and badness(worst) > badness(worst._replace(seams=())):
            state["panel_side"] = worst.side
        _choose(job.reference, state["panel_shape"], state["panel_side"])

    name = widgets.pick(
        "Panel", options, "panel_shape", _told, place=place, labelled=False, changed=changed
    )
    side, photos = "", {}
    if name in kept:
        base, photos = str(kept[name]["file"]), dict(kept[name]["photos"])
    else:
        with below:
            base, side = _ready(job.reference, name)
    return Source(job.reference, name, side, base, drafts().get(_key(job.reference, name, side), base), photos)


def _key(reference: str, name: str, side: str) -> str:
    return f"{reference}|{name}" + (f", {side}" if side else "")


def _choose(reference: str, name: str, side: str) -> None:
    """Note that a person chose this panel of a job, or worked on it: nothing else is proposed there any more."""
    for key, value in (("panel_chosen", name), ("panel_sides", side)):
        st.session_state[key] = {**st.session_state.get(key, {}), reference: value}


def _told(name: str) -> str:
    return f"{name.removeprefix(_READY)} (shape)" if name.startswith(_READY) else name


def _offers(job: Job, kept: Mapping[str, Mapping[str, Any]]) -> list[Offer]:
    """All panels that can be proposed: those kept come first, and a door of one side before a door."""
    offers = []
    for name, body in kept.items():
        with suppress(GapvisionError):  # told when it is chosen
            layout = layout_from_table(toml_from_text(str(body["file"]), f"the panel {name}"))
            seams = tuple(seam.name for seam in layout.seams)
            offers.append(Offer(_key(job.reference, name, ""), name, "", layout.name, seams, dict(body["photos"])))
    for shape, known in SHAPES.items():
        for side in ("left", "right", "") if known.sides else ("",):
            key = _key(job.reference, _READY + shape, side)
            offers.append(Offer(key, _READY + shape, side, f"{side} {shape}".strip(), tuple(known.seams), {}))
    return offers


def drafts() -> dict[str, str]:
    """Panel files that were changed and not yet kept, by :attr:`Source.key`; they survive a reload."""
    return dict(st.session_state.get("panel_drafts", {}))


def _draft(source: Source, text: str | None) -> None:
    others = {k: v for k, v in drafts().items() if k != source.key}
    st.session_state["panel_drafts"] = others if text is None else {**others, source.key: text}
    _choose(source.reference, source.name, source.side)


def _ready(reference: str, name: str) -> tuple[str, str]:
    """A ready shape's file, of the size and side asked for; and the side."""
    shape, side = name.removeprefix(_READY), ""
    known = SHAPES[shape]
    (first, second), usual = known.size_words, known.usual_mm
    with st.expander("The panel's size and side" if known.sides else "The panel's size", key="panel_size_box"):
        left, right = st.columns(2)
        width = widgets.length_number(left, first, f"width_{shape}_{reference}", usual[0], 100.0, 3000.0, 10.0)
        height = widgets.length_number(right, second, f"height_{shape}_{reference}", usual[1], 100.0, 3000.0, 10.0)
        if known.sides:
            side = st.selectbox(
                "Side", ["", "left", "right"], key="panel_side", format_func=lambda s: s or "neither",
                on_change=lambda: _choose(reference, name, st.session_state["panel_side"]),
            )  # fmt: skip
    return ready_file(shape, f"{side} {shape}".strip(), width, height, side), side


def ready_file(shape: str, name: str, width_mm: float, length_mm: float, side: str = "") -> str:
    """Write a panel file for a ready shape, one of :data:`gapvision.judgement.SHAPES`; its sizes as ``size_words`` says."""
    head = {"format": FORMAT, "name": name, "shape": shape}
    size = {"width": f"{width_mm:.6g}mm", "length": f"{length_mm:.6g}mm"} | ({"side": side} if side else {})
    return "\n".join([_toml(head | size), *(_toml({"name": seam}, "seams") for seam in SHAPES[shape].seams)])


# --- changing it ------------------------------------------------------------------


def edit(source: Source, job: Job, photos: Mapping[str, Any], words: tuple[str, str, str, str]) -> None:
    """The panel's own file: choose one, add seams and adjusters, change its lines, keep it with the job."""
    with st.container():
        widgets.empty_after("panel_lines_added", *_ADDED)
        said = st.session_state.pop("panel_said", None)
        if said:
            st.success(said)
    with st.expander("The panel's specification", key="panel_spec_box"):
        st.write(
            "Outline, seams, limits and adjusters come from this file. The same file serves 'gapvision plan'. "
            "What you change here is kept with the job when you press Keep."
        )
        _upload(source)
        _add_adjuster(source, words)
        _add_seam(source)
        _lines(source)
        widgets.warn_of_change(f"panel {source.key}", source.base, changed_here=source.text != source.base)
        left, middle, right = st.columns(3)
        if left.button("Keep with the job", type="primary", key="keep_panel", width="stretch"):
            with widgets.telling():
                _keep(source, job, photos)
        if source.text != source.base and middle.button("Forget my changes", key="forget_panel", width="stretch"):
            _draft(source, None)
            st.rerun()
        with right:
            widgets.downloads([("Download the file", "panel.toml", source.text.encode)], "panel")


def _keep(source: Source, job: Job, photos: Mapping[str, Any]) -> None:
    name = set_panel(records(), job.job_id, source.text, dict(photos))
    _draft(source, None)
    _choose(source.reference, name, source.side)
    st.session_state["panel_said"] = f"Panel '{name}' is kept with job {job.reference}."
    st.rerun()


def _lines(source: Source) -> None:
    """The file's lines; a change counts when the field is left."""
    key = f"panel_text_{source.key}"
    if st.session_state.get(key) != source.text:  # else a run would overwrite what is being typed
        st.session_state[key] = source.text

    def changed() -> None:
        text = st.session_state[key]
        _draft(source, None if text == source.base else text)

    st.text_area("The file's lines", key=key, height=320, on_change=changed)


def _upload(source: Source) -> None:
    files = st.file_uploader(
        "Choose a panel file (.toml), and with it the files that it names",
        type=["toml"],
        accept_multiple_files=True,
        max_upload_size=1,
        key=f"panel_file_{st.session_state.get('panel_files_taken', 0)}",
    )
    if not files:
        return
    with widgets.telling():
        text = together({file.name: file.getvalue() for file in files})
        layout = layout_from_table(toml_from_text(text, "the panel file"))
        fields = fields_of(layout, source.reference)
        if source.name.startswith(_READY) and layout.shape:  # a boot lid's file given at the bonnet is a boot lid
            side = layout.side if SHAPES[layout.shape].sides else ""
            source = source._replace(name=_READY + layout.shape, side=side)
            fields["panel_shape"] = source.name
        st.session_state["go"] = fields
        # A fresh control: else the same files would be taken in again at every run.
        _redraft(source, lambda: text, "panel_files_taken")


def fields_of(layout: PanelLayout, reference: str) -> dict[str, Any]:
    """What the fields of size and side show of a job's panel file: what the file says."""
    fields: dict[str, Any] = {"panel_side": layout.side}
    xs, ys = ([p[k] for p in layout.outline] or [0.0] for k in (0, 1))
    for name, size_mm in (("width", max(xs) - min(xs)), ("height", max(ys) - min(ys))):
        if layout.shape and 100.0 <= size_mm <= 3000.0:
            key = f"{name}_{layout.shape}_{reference}"
            fields |= {f"held_{key}": size_mm, key: round(size_mm) + 0.0, f"{key}_in": round(size_mm / MM_PER_INCH, 2)}
    return fields


def _box(label: str) -> Any:
    """A box that is closed again once something was added."""
    return st.popover(label, width="stretch", key=f"{label}_{st.session_state.get('panel_added', 0)}")


def _add_adjuster(source: Source, words: tuple[str, str, str, str]) -> None:
    with _box("Add an adjuster"):
        st.write("Where the panel can be set, and how far it can still go each way. Empty: not known.")
        name = st.text_input("Name of the adjuster", key="add_adjuster", placeholder="e.g. left hinge, lower")
        kind = st.selectbox("Kind", ["hinge", "latch", "buffer", "shim point"], key="add_kind")
        x, y = widgets.text_fields(("Its place, x", "add_x", "e.g. -500mm"), ("Its place, y", "add_y", "e.g. 60mm"))
        travel = {}
        ways = (("travel_x", words[1], words[0]), ("travel_y", words[3], words[2]), ("travel_out", "in", "out"))
        for key, word_back, word_on in ways:
            back, on = widgets.text_fields(
                (f"How far {word_back}", f"add_{key}_back", "e.g. 2mm"),
                (f"How far {word_on}", f"add_{key}_on", "e.g. 3mm"),
            )
            if back.strip() or on.strip():
                travel[key] = (back, on)
        _add(source, "adjuster_go", lambda: adjuster_lines(name, kind, (x, y), travel))


def adjuster_lines(name: str, kind: str, at: tuple[str, str], travel: Mapping[str, tuple[str, str]]) -> str:
    """Lines of a panel file for one adjuster.

    ``at`` is its place, as lengths with their unit; ``travel`` says of ``travel_x``, ``travel_y``, ``travel_out`` how far
    back and on, without sign; empty counts as nothing.
    """
    if not name.strip():
        raise GapvisionError("panel-file-bad", "The adjuster has no name.", "Give one, e.g. left hinge.")
    row: dict[str, Any] = {"name": name.strip(), "kind": kind, "at": _pair(at)}
    for key, (back, on) in travel.items():
        least = abs(parse_length(back)) if back.strip() else 0.0
        most = abs(parse_length(on)) if on.strip() else 0.0
        row[key] = [f"{0.0 - least:g}mm", f"{most:g}mm"]
    return _toml(row, "adjusters")


def _add_seam(source: Source) -> None:
    with _box("Add a seam"):
        st.write("A seam between two points of the panel's plane; more points can be given in the file's lines.")
        name = st.text_input("Name of the seam on the panel", key="add_seam", placeholder="e.g. lower rear corner")
        points = [
            widgets.text_fields((f"Its {word}, x", f"add_{word}_x", x), (f"Its {word}, y", f"add_{word}_y", y))
            for word, x, y in (("start", "e.g. 0mm", "e.g. 700mm"), ("end", "e.g. 0mm", "e.g. 700mm"))
        ]
        wanted = st.selectbox(
            "What is wanted", ["", *PRESETS], key="add_wanted",
            format_func=lambda key: PRESETS[key][0] if key else "as the job's own seam says",
        )  # fmt: skip
        _add(source, "seam_go", lambda: seam_lines(name, points[0], points[1], wanted))


def seam_lines(name: str, start: Sequence[str], end: Sequence[str], preset: str = "") -> str:
    """Lines of a panel file for one seam between two places; empty lengths are refused."""
    if not name.strip():
        raise GapvisionError("panel-file-bad", "The seam has no name.", "Give one, e.g. rear.")
    row = {"name": name.strip(), "start": _pair(start), "end": _pair(end)}
    return _toml(row | ({"preset": preset} if preset else {}), "seams")


def _add(source: Source, key: str, make: Callable[[], str]) -> None:
    """Put lines at the end of the file, where TOML takes another entry of a list; refused lines change nothing."""
    wrong = st.container()  # above the button: below it nobody would see it
    if st.button("Add it", key=key):
        with wrong:
            _redraft(source, lambda: source.text.rstrip("\n") + "\n\n" + make(), "panel_added")


def _redraft(source: Source, make: Callable[[], str], counter: str) -> None:
    """Take a new text of the panel file if it can be read, count it and draw the page anew; else say why not."""
    with widgets.telling():
        text = make()
        layout_from_table(toml_from_text(text, "the panel file"))
        _draft(source, text)
        st.session_state[counter] = st.session_state.get(counter, 0) + 1
        st.session_state["panel_lines_added"] = counter == "panel_added"
        st.rerun()


def _pair(place: Sequence[str]) -> list[str]:
    return [f"{parse_length(part):g}mm" for part in place]


def _toml(row: Mapping[str, Any], heading: str = "") -> str:
    """Lines of a table of texts and lists of texts, under ``[[heading]]``: one line each, as a person writes them."""
    lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in row.items()]
    return "\n".join([f"[[{heading}]]"] * bool(heading) + lines) + "\n"
