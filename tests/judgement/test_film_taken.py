"""The film that coats really took, against paint of known thickness put on invented gaps."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.errors import GapvisionError
from gapvision.formats.film_file import add_film, read_films
from gapvision.judgement import agreed_um, coat, film_loss, film_taken, with_taken
from gapvision.model import FinishPlan

TRUE_UM = 34.0


def jobs(count, spread_um=2.0, u_mm=0.04):
    """Two coats on both edges take four films of the true thickness; each job reads them with its error."""
    lots = np.random.default_rng(4)
    out = []
    for k in range(count):
        change = -4 * (TRUE_UM + lots.normal(0, spread_um)) / 1000 + lots.normal(0, u_mm / 2)
        out.append(film_taken(change, u_mm, "epoxy primer", 2, "both", f"job {k}"))
    return out


def test_one_coat_on_one_edge():
    one = film_taken(-0.136, 0.04, "epoxy primer", 2, "both", "a")
    assert (one.film_um, one.expanded_u_um) == (pytest.approx(34.0), pytest.approx(10.0))
    assert film_taken(-0.068, 0.04, "epoxy primer", 2, "panel", "a").film_um == pytest.approx(34.0)
    with pytest.raises(GapvisionError, match="The gap grew"):
        film_taken(0.1, 0.04, "epoxy primer", 2, "both", "a")


def test_three_jobs_must_agree():
    assert agreed_um(jobs(2)) is None
    assert agreed_um([*jobs(2), jobs(1)[0]]) is None  # the same job twice is one
    low, high = agreed_um(jobs(4))
    assert low < TRUE_UM < high
    off = replace(jobs(4)[3], film_um=90.0, job="z")
    assert agreed_um([*jobs(3), off]) is None


def test_the_true_film_lies_in_the_range_nearly_always():
    held = 0
    for k in range(200):
        lots = np.random.default_rng([9, k])
        changes = -4 * (TRUE_UM + lots.normal(0, 3, 3)) / 1000 + lots.normal(0, 0.02, 3)
        own = [film_taken(float(x), 0.04, "x", 2, "both", f"{j}") for j, x in enumerate(changes)]
        found = agreed_um(own)
        held += found is None or found[0] <= TRUE_UM <= found[1]
    assert held >= 190


def test_the_next_forecast_uses_it_in_the_place_of_the_range():
    plan = FinishPlan(coats=(coat("epoxy primer", 2), coat("clear coat", 2)))
    assert with_taken(plan, jobs(2)) == plan
    own = with_taken(plan, jobs(4))
    assert own.coats[1] == plan.coats[1]
    assert "measured" in own.coats[0].source
    only = replace(own, coats=own.coats[:1])
    assert film_loss(only).loss_mm == pytest.approx(4 * sum(agreed_um(jobs(4))) / 2000)


def test_films_are_kept_job_by_job(tmp_path):
    for one in jobs(3):
        add_film(tmp_path, one)
    add_film(tmp_path, replace(jobs(1)[0], film_um=40.0))
    kept = read_films(tmp_path)
    assert len(kept) == 3
    assert {x.job: x.film_um for x in kept}["job 0"] == pytest.approx(40.0)
    assert read_films(tmp_path / "none") == ()
