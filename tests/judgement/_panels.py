"""Invented panels for the judgement's tests."""

import numpy as np

from gapvision.judgement import placed, ready_shape
from gapvision.model import (
    Adjuster,
    DecisionRule,
    NominalPoint,
    Panel,
    PanelSeam,
    SeamReading,
    Specification,
    TrimRules,
)

CENTRE = (0.0, 500.0)


def spec(nominal=4.76, below=0.5, above=0.5, **more):
    return Specification(nominal=(NominalPoint(0.0, nominal),), allow_below_mm=below, allow_above_mm=above, **more)


def reading(s, gap, u=0.1, edge=None, seam="seam", spacing=1.0, **more):
    s = np.asarray(s, float)
    zeros = np.zeros((0, 2))
    return SeamReading(
        seam=seam,
        photo=f"{seam}.jpg",
        s_mm=s,
        gap_mm=np.broadcast_to(np.asarray(gap, float), s.shape),
        expanded_u_mm=np.broadcast_to(np.asarray(u, float), s.shape),
        panel_edge_mm=np.zeros(len(s)) if edge is None else edge,
        xy_mm=more.pop("xy_mm", zeros),
        outward=more.pop("outward", zeros),
        spacing_mm=spacing,
        **more,
    )


def bonnet(gaps, *, u=0.1, step=5.0, rule="proven", aim="middle", adjusters=(), finish=None, wanted=None, trim=None):
    """A bonnet 1200 x 1000 mm; ``gaps`` gives each seam's gap as a function of its stations."""
    shape = ready_shape("bonnet")
    places, words = shape.places(1200.0, 1000.0), shape.directions
    seams = []
    for name, gap in gaps.items():
        s = np.arange(0.0, 1000.0, step)
        one = placed(reading(s, gap(s), u, seam=name, spacing=step), places[name], CENTRE)
        seams.append(
            PanelSeam(name=name, place=places[name], spec=wanted or spec(), readings=(one,), trim=trim or TrimRules())
        )
    return Panel(
        name="bonnet",
        shape="bonnet",
        seams=tuple(seams),
        centre=CENTRE,
        words=words,
        rule=DecisionRule(name=rule),
        aim=aim,
        adjusters=tuple(adjusters),
        finish=finish,
    )


HINGES = (
    Adjuster(name="left hinge", kind="hinge", xy=(-500.0, 50.0)),
    Adjuster(name="right hinge", kind="hinge", xy=(500.0, 50.0)),
    Adjuster(name="latch", kind="latch", xy=(0.0, 950.0)),
)
