"""From a profile to a decision: tolerance, the gap after paint, and what to do to the metal.

No pixels and no OpenCV; a stored measurement can be judged again at any time.
"""

from gapvision.judgement.cautions import cautions_for
from gapvision.judgement.conformity import conformance_probability, guard_band
from gapvision.judgement.film_taken import agreed_um, film_taken, with_taken
from gapvision.judgement.finish import (
    after_paint,
    coat,
    film_loss,
    forecast,
    gap_after_finish,
    gap_to_set,
)
from gapvision.judgement.gauges import Setting, settings_of
from gapvision.judgement.move import point_moves
from gapvision.judgement.needs import needed_u
from gapvision.judgement.panel import panel_of, placed, read_on_seam
from gapvision.judgement.plan import make_plan, plan_edge, predict_move
from gapvision.judgement.readings import laid_on, mirror, reading_from_measurement
from gapvision.judgement.shapes import SHAPES, ready_shape
from gapvision.judgement.specification import (
    PRESETS,
    limits_at,
    nominal_at,
    preset,
    simple_spec,
)
from gapvision.judgement.tolerance import (
    form_checks,
    judge_gap,
    judge_measurement,
    judge_reading,
    opposite_check,
    taper_u,
)
from gapvision.judgement.trim import trim_line
