"""What a shop said once: wanted gap, limits and rule, for all its photos or for one job.

``settings.toml`` in the data folder::

    format = "gapvision-settings/1"
    [shop.wanted]                      # a specification, as in its own file
    nominal = "3/16in"
    allow_below = "0.5mm"
    allow_above = "0.5mm"
    [specs."close doors"]              # a specification of the shop's own, by its name
    nominal = "5/32in"
    allow_below = "0.4mm"
    allow_above = "0.4mm"
    [jobs."2026-001"]
    rule = "risk"
    risk = 0.05

A job that says nothing of its own goes by the shop's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from gapvision.errors import require
from gapvision.formats.data_folder import SETTINGS as FILE
from gapvision.formats.declared import Declared, read_declared
from gapvision.formats.specification_file import specification_from_table, specification_to_table
from gapvision.formats.toml import read_toml, write_toml
from gapvision.judgement import PRESETS
from gapvision.model import DecisionRule, Specification

_MOST_NAME = 60
FORMAT = "gapvision-settings/1"


@dataclass(frozen=True, slots=True)
class Kept:
    """What was said once; None where nothing was."""

    spec: Specification | None = None
    rule: DecisionRule | None = None


class _Said(Declared):
    wanted: dict[str, Any] | None = None
    rule: str | None = None
    risk: float = 0.05


class _File(Declared, omit_defaults=True):
    format: Literal["gapvision-settings/1"]
    shop: _Said | None = None
    jobs: dict[str, _Said] = {}  # noqa: RUF012 - msgspec makes a new one for each file
    specs: dict[str, dict[str, Any]] = {}  # noqa: RUF012


def read_kept(folder: Path, job: str = "") -> Kept:
    """What is kept for a job, else for the shop; nothing when the data folder has no settings.

    Raises
    ------
    GapvisionError
        ``specification-unreadable``, ``specification-nonsense`` with the place in the file.
    """
    if not (folder / FILE).is_file():
        return Kept()
    table = _read(folder)
    found = Kept()
    for said, path in ((table.shop, "shop"), (table.jobs.get(job), f'jobs."{job}"')):
        if said is None:
            continue
        if said.wanted is not None:
            spec = specification_from_table(said.wanted, f"'{folder / FILE}'", f"{path}.wanted")
            found = Kept(spec, found.rule)
        if said.rule is not None:
            found = Kept(found.spec, DecisionRule(name=said.rule, risk=said.risk))
    return found


def write_kept(folder: Path, job: str = "", said: Kept | None = None) -> None:
    """Keep what is given for the shop, or for a job; what is None there stays as it is, None itself forgets all."""
    table = _table(folder)
    places: dict[str, Any] = table["jobs"] if job else table
    name = job or "shop"
    if said is None:
        places.pop(name, None)
    else:
        wanted = {} if said.spec is None else {"wanted": specification_to_table(said.spec)}
        rule = {} if said.rule is None else {"rule": said.rule.name, "risk": said.rule.risk}
        places[name] = places.get(name, {}) | wanted | rule
    _write(folder, table)


def own_specs(folder: Path) -> dict[str, Specification]:
    """The shop's own specifications by name; errors as :func:`read_kept`."""
    if not (folder / FILE).is_file():
        return {}
    where = f"'{folder / FILE}'"
    return {
        name: replace(specification_from_table(table, where, f'specs."{name}"'), name=name)
        for name, table in _read(folder).specs.items()
    }


def write_own_spec(folder: Path, name: str, spec: Specification | None) -> None:
    """Keep a specification of the shop's own under a name; None forgets it.

    Raises
    ------
    GapvisionError
        ``value-out-of-range`` for an empty name, or one that a ready specification has.
    """
    good = bool(name.strip()) and len(name) <= _MOST_NAME and name.isprintable() and name not in PRESETS
    require("value-out-of-range", good, f"'{name[:_MOST_NAME]}' is no name for a specification of your own.",
            "Give it a short one that no ready specification has.")  # fmt: skip
    table = _table(folder)
    specs = dict(table.get("specs", {}))
    specs.pop(name, None)
    if spec is not None:
        specs[name] = specification_to_table(replace(spec, name=name))
    _write(folder, {**table, "specs": specs})


def rename_job(folder: Path, old: str, new: str) -> None:
    """Keep under a job's new reference what was kept under its old one."""
    table = _table(folder)
    if old in table["jobs"]:
        table["jobs"][new] = table["jobs"].pop(old)
        _write(folder, table)


def _table(folder: Path) -> dict[str, Any]:
    table: dict[str, Any] = read_toml(folder / FILE) if (folder / FILE).is_file() else {"format": FORMAT}
    return {**table, "jobs": dict(table.get("jobs", {}))}


def _read(folder: Path) -> _File:
    return read_declared(_File, read_toml(folder / FILE), f"'{folder / FILE}'", "specification-unreadable")


def _write(folder: Path, table: dict[str, Any]) -> None:
    read_declared(_File, table, f"'{folder / FILE}'", "specification-unreadable")
    write_toml(folder / FILE, table)
