"""The whole car of a job on the page: its outline, each seam by the state of its latest result."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from gapvision.page.books import records
from gapvision.records import Job
from gapvision.reports.car_outline import draw_car
from gapvision.reports.figures import figure_bytes
from gapvision.workshop import car_of


def show(job: Job, states: Mapping[str, str]) -> None:
    """Draw the car that is kept with a job; nothing where none is.

    Parameters
    ----------
    job : Job
        The job.
    states : mapping of str to str
        Seam, with its side before its name, -> its state.
    """
    car = car_of(records(), job.job_id)
    if car is None:
        return
    with st.expander("Outline of the whole car", key="car_outline_box"):
        st.image(figure_bytes(draw_car(car, states), "png", 110), width="stretch")
        st.write("Its file and its hang list: 'gapvision car' and 'gapvision plan' on the command line.")
