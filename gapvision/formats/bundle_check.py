#!/usr/bin/env python3
"""Checks an export of a job by itself: nothing of gapvision is needed, only Python 3.10 or newer.

    python check.py            in the folder that the zip was unpacked to
    python check.py JOB.zip    or on the zip as it is

It recomputes the SHA-256 of every file, the mean, smallest and largest gap of every result from its stations, and from
the specification and the rule of its latest verdict the limits and the state of every station; and compares them with
what the files say.  It ends with 0 when all agree, else with 1.

Rules: 'proven': in tolerance when gap - U and gap + U lie inside the limits, out when they lie beyond one, else not
proven.  'simple': the gap alone.  'risk': by the probability of a normal error with standard uncertainty U / 2.
"""

from __future__ import annotations

import csv
import hashlib
import io
import itertools
import json
import math
import os
import pathlib
import sys
import zipfile
from collections.abc import Callable, Sequence
from typing import Any

MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "inch": 25.4, '"': 25.4, "thou": 0.0254}
IN, OUT, OPEN = "in tolerance", "out of tolerance", "not proven"
TINY = 1e-9  # a value on the limit itself is in tolerance
CLOSE = 6e-4  # tables have three decimals, files more [mm]


def check(read: Callable[[str], bytes], names: Sequence[str]) -> tuple[list[str], list[str]]:
    """Check all; ``read`` gives a file's bytes by its name.  Returns what is wrong, and what was done, in words."""
    wrong, done = list[str](), list[str]()
    manifest = json.loads(read("manifest.json"))
    listed = {entry["name"]: entry for entry in manifest["files"]}
    for name in sorted(set(names) - set(listed) - {"manifest.json"}):
        wrong.append(f"{name}: not in the manifest")
    for name, entry in listed.items():
        if name not in names:
            wrong.append(f"{name}: missing")
        elif hashlib.sha256(read(name)).hexdigest() != entry["sha256"]:
            wrong.append(f"{name}: altered, its SHA-256 is another one")
    done.append(f"{len(listed)} files against their SHA-256")
    job = json.loads(read("job.json"))
    specs = {seam["uid"]: seam["spec"] for seam in job["seams"]}
    stations = judged = 0
    for shot in job["shots"]:
        for result in shot["measurements"]:
            try:
                found = result_wrong(read, result, specs[shot["seam"]])
            except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
                found = [f"{result.get('file')}: cannot be checked: {error!r}"], 0, 0
            wrong += found[0]
            stations, judged = stations + found[1], judged + found[2]
    done.append(f"mean, smallest and largest gap from {stations} stations")
    done.append(f"limits and state of {judged} stations")
    return wrong, done


def result_wrong(read: Callable[[str], bytes], result: Any, spec: Any) -> tuple[list[str], int, int]:
    """What is wrong with one result; how many stations it has, and how many of them were judged again."""
    name = result["file"]
    table = name.replace("measurements/", "tables/").replace(".json", ".csv")
    content = json.loads(read(name))
    rows = list(csv.DictReader(io.StringIO(read(table).decode("utf-8-sig"))))
    wrong = [f"{name}: {said}" for said in summary_wrong(content)]
    wrong += [f"{table}: {said}" for said in table_wrong(content, rows)]
    verdict = result["verdicts"][-1] if result["verdicts"] else None
    body = verdict["body"] if verdict else {"specification": spec, "rule": {"name": "proven", "version": 2}}
    count = len(content.get("stations") or [])
    if not any(row["state"] for row in rows):
        return ([*wrong, f"{table}: its verdict is not in the table"] if verdict and count else wrong), count, 0
    found = states(content, body["specification"], body["rule"])
    wrong += [f"{table}: {said}" for said in states_wrong(found, rows)]
    if verdict:
        wrong += [f"{name}: {said}" for said in verdict_wrong(found, verdict, content.get("spacing_mm"))]
    return wrong, count, len(found)


def summary_wrong(content: Any) -> list[str]:
    """Mean, smallest and largest gap against the stations."""
    gaps = [s["gap_mm"] for s in content.get("stations") or []]
    told = content.get("gap") or {}
    if not gaps or not told:
        return []
    made = {"mean_mm": math.fsum(gaps) / len(gaps), "min_mm": min(gaps), "max_mm": max(gaps)}
    return [
        f"{key} is told as {told[key]}, its stations give {value:.4f}"
        for key, value in made.items()
        if told.get(key) is not None and not abs(told[key] - value) <= CLOSE
    ]


def table_wrong(content: Any, rows: Sequence[Any]) -> list[str]:
    """The table's stations against the file's."""
    found = content.get("stations") or []
    if len(found) != len(rows):
        return [f"{len(rows)} stations, the measurement has {len(found)}"]
    return [
        f"at {row['s [mm]']} mm the gap or U is another than the measurement's"
        for station, row in zip(found, rows, strict=False)
        if not abs(float(row["gap [mm]"]) - station["gap_mm"]) <= CLOSE
        or not abs(float(row["U (k=2) [mm]"]) - station["u_mm"]) <= CLOSE
    ]


def states(content: Any, spec: Any, rule: Any) -> list[tuple[float, float, float, str]]:
    """Station, lower limit, upper limit and state of each station, by a specification and a rule."""
    found = [[round(s[key], 5) for key in ("s_mm", "gap_mm", "u_mm")] for s in content["stations"]]
    start, length = found[0][0], found[-1][0] - found[0][0]
    if spec.get("length") is not None:  # of the whole seam, which begins at the photo's station 0
        start, length = 0.0, length_mm(spec["length"])
    at = spec.get("photo_at")
    if at is None:
        points = nominal_points(spec["nominal"], start, length)
    else:  # where on the seam the photo lies, counted from the seam's start
        # Before version 2 of the rule a photo's place counted from the first station that was left.
        old = (rule.get("version") or 0) < 2
        out = [] if old else (content.get("settings") or {}).get("left_out") or content.get("left_out") or []
        spans = [(max(x["from_mm"], 0.0), x["to_mm"]) for x in out if x["from_mm"] <= x["to_mm"]]
        first, last = (end([found[i][0], *(x[i] for x in spans)]) for i, end in ((0, min), (-1, max)))
        begins = length_mm(at)
        whole = length_mm(spec["length"]) if spec.get("length") is not None else begins + last - first
        seam = nominal_points(spec["nominal"], 0.0, whole)
        points = [(first + place - begins, gap) for place, gap in seam]
        if spec.get("photo_reverse"):
            points = [(last - (place - begins), gap) for place, gap in reversed(seam)]
    if "smallest" in spec or "largest" in spec:
        spec = {"allow_below": f"{points[0][1] - length_mm(spec.get('smallest', '0mm'))!r}mm",
                "allow_above": f"{length_mm(spec.get('largest', '0mm')) - points[0][1]!r}mm", **spec}
    below, above = length_mm(spec["allow_below"]), length_mm(spec["allow_above"])
    out = []
    for s, gap, u in found:
        wanted = between(points, s)
        low, high = wanted - below, wanted + above
        out.append((s, low, high, state(gap, u, low, high, rule)))
    return out


def state(gap: float, u: float, low: float, high: float, rule: Any) -> str:
    """In tolerance, out of tolerance or not proven."""
    name = rule["name"]
    if name == "risk":
        std, risk = max(u / 2, 1e-12), rule.get("risk") or 0.05
        inside = normal((high - gap) / std) - normal((low - gap) / std)
        return OUT if inside <= risk else IN if inside >= 1 - risk else OPEN
    if name == "simple":
        u = 0.0
    elif name != "proven":
        raise ValueError(f"the rule {name!r} is not known here")
    if gap - u >= low - TINY and gap + u <= high + TINY:
        return IN
    return OUT if gap + u < low - TINY or gap - u > high + TINY else OPEN


def normal(x: float) -> float:
    """Distribution function of the standard normal law."""
    return 0.5 * math.erfc(-x / math.sqrt(2))


def states_wrong(found: Sequence[tuple[float, float, float, str]], rows: Sequence[Any]) -> list[str]:
    """State and limits of each station against the table."""
    wrong = []
    for (s, low, high, made), row in zip(found, rows, strict=False):
        if made != row["state"]:
            wrong.append(f"at {s:g} mm the state is {made}, the table says {row['state']}")
        elif max(abs(float(row["lower limit [mm]"]) - low), abs(float(row["upper limit [mm]"]) - high)) > CLOSE:
            wrong.append(f"at {s:g} mm the limits are {low:.3f} to {high:.3f} mm, the table says otherwise")
    return wrong


def verdict_wrong(
    found: Sequence[tuple[float, float, float, str]], verdict: Any, spacing: float | None = None
) -> list[str]:
    """The verdict's word against the stations; limits on the seam as a whole and long holes make it worse."""
    said, body = verdict["decision"], verdict["body"]
    made = {x[3] for x in found}
    worst = OUT if OUT in made else OPEN if OPEN in made else IN
    for one in body.get("checks") or []:
        if one["state"] == OUT or (one["state"] == OPEN and worst == IN):
            worst = one["state"]
    if body.get("verdict") != said:
        return [f"its verdict is told as {said} and as {body.get('verdict')}"]
    order = [IN, OPEN, OUT]
    holes = [x["to_mm"] - x["from_mm"] for x in body.get("spans") or [] if x["state"] == "not measured"]
    if (body["rule"].get("version") or 0) >= 1 and worst == IN:
        apart = [b[0] - a[0] - (spacing or 1.0) for a, b in itertools.pairwise(found)]
        most = length_mm((body.get("specification") or {}).get("largest_hole", "5mm"))
        worst = OPEN if max([*holes, *apart], default=0.0) > most + CLOSE else IN
    if order.index(said) < order.index(worst) or (said != worst and not (said == OPEN and holes)):
        return [f"its verdict is {said}, its stations and checks give {worst}"]
    return []


def nominal_points(nominal: Any, start: float, length: float) -> list[tuple[float, float]]:
    """Places along the seam and the gaps wanted there [mm]."""
    if not isinstance(nominal, list):
        return [(0.0, length_mm(nominal))]
    points = []
    for point in nominal:
        at = str(point["at"]).strip()
        place = start + float(at[:-1]) / 100 * length if at.endswith("%") else length_mm(point["at"])
        points.append((place, length_mm(point["gap"])))
    return points


def between(points: Sequence[tuple[float, float]], s: float) -> float:
    """Straight lines between the points, constant beyond the ends."""
    if s <= points[0][0]:
        return points[0][1]
    for (s1, g1), (s2, g2) in itertools.pairwise(points):
        if s <= s2:
            return g1 + (g2 - g1) * (s - s1) / (s2 - s1)
    return points[-1][1]


def length_mm(text: object) -> float:
    """A length as the files write it: a number and its unit."""
    told = str(text).strip().lower()
    number = told.rstrip('abcdefghijklmnopqrstuvwxyz" ')
    unit = told[len(number) :].strip()
    value = sum(float(a) / float(b or 1) for a, _, b in (part.partition("/") for part in number.split()))
    return value * MM[unit]


def main(args: Sequence[str]) -> int:
    """Check the zip or folder named, else the folder that this file lies in."""
    place = args[0] if args else os.path.dirname(os.path.abspath(__file__))
    if os.path.isdir(place):
        names = [
            os.path.relpath(os.path.join(folder, name), place).replace(os.sep, "/")
            for folder, _, files in os.walk(place)
            for name in files
            if not name.endswith(".pyc")
        ]
        wrong, done = check(lambda name: pathlib.Path(place, name).read_bytes(), names)
    else:
        with zipfile.ZipFile(place) as packed:
            wrong, done = check(packed.read, packed.namelist())
    told = [f"checked: {said}" for said in done] + [f"WRONG: {said}" for said in wrong]
    many = "1 thing is" if len(wrong) == 1 else f"{len(wrong)} things are"
    told.append(f"{many} wrong." if wrong else "All agrees.")
    sys.stdout.write("\n".join(told) + "\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
