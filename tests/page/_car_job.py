"""A job with the worked car of the sample files: all its seams measured as found and, where asked for, when ready."""

import io
from pathlib import Path

from PIL import Image

from gapvision.formats.car_file import read_car
from gapvision.formats.measurement_json import read as read_measurement
from gapvision.workshop import judge_line, keep_photo, place_on_car, set_car

EXAMPLE = Path(__file__).parents[2] / "sample_images" / "car_example"


def car_job(store, reference="CAR-1", *, placed=True, ready=True, leave_out=()):
    """The job; ``placed``: where the photos lie is kept too; ``leave_out``: seams that are not measured."""
    job = store.new_job(reference=reference, car="two-seat roadster")
    car, _ = read_car(EXAMPLE / "as_found.toml")
    set_car(store, job.job_id, (EXAMPLE / "as_found.toml").read_text(encoding="utf-8"))
    seams = {s.full_name: s for s in store.seams(job.job_id)}
    for number, name in enumerate(["as_found", "ready_for_primer"][: 1 + ready]):
        visit = store.find_visit(job.job_id, name.replace("_", " "))
        for k, seam in enumerate(s for s in car.seams if s.name not in leave_out):
            file = EXAMPLE / name / f"{seam.name.replace(', ', '_').replace(' ', '_')}.json"
            found = read_measurement(file)
            judge_line(store, keep_photo(store, seams[seam.name], visit, photo(number, k), f"{file.stem}.jpg", found))
    if placed:
        place_on_car(store, job.job_id, {
            s.name: (s.photos[0].at_mm, s.panel_edge) for s in car.seams if s.name not in leave_out})  # fmt: skip
    return job


def photo(visit, seam):
    """Some photo's bytes, like no other's."""
    buffer = io.BytesIO()
    Image.new("RGB", (640, 480), (90 + visit, 100 + seam, 120)).save(buffer, "jpeg")
    return buffer.getvalue()
