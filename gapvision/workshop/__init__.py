"""The shop's recipes over all rooms: measure into the records, compare, judge, gather evidence.

Commands and the page call these; each is short, and none of them measures or
judges itself.  Rooms that need the photo libraries are imported when used.
"""

from gapvision.workshop.car import CarOfJob, car_of, car_with_results, keep_hang_list, place_on_car, set_car, taught_car
from gapvision.workshop.comparing import Compared, Point, compare_lines, compare_measurements
from gapvision.workshop.evidence import Progress, evidence_report, plan_evidence
from gapvision.workshop.exchange import export_job, import_job
from gapvision.workshop.judging import (
    failed_check,
    finish_of,
    judge_line,
    other_side,
    set_finish,
    verdict_of,
    wants_other,
)
from gapvision.workshop.measuring import (
    File,
    add_photos,
    clock_of,
    keep_photo,
    keep_photos,
    measure_again,
    measure_file,
    measure_files,
    photo_doubts,
    places_in_names,
    stored,
)
from gapvision.workshop.panels import panels_beside, panels_of, planned, set_panel

__all__ = [
    "CarOfJob", "Compared", "File", "Point", "Progress", "add_photos", "car_of", "car_with_results", "clock_of",
    "compare_lines", "compare_measurements", "evidence_report", "export_job", "failed_check", "finish_of",
    "import_job", "judge_line", "keep_hang_list", "keep_photo", "keep_photos", "measure_again", "measure_file",
    "measure_files", "other_side", "panels_beside", "panels_of", "photo_doubts", "place_on_car", "places_in_names",
    "plan_evidence", "planned", "set_car", "set_finish", "set_panel", "stored", "taught_car", "verdict_of",
    "wants_other",
]
