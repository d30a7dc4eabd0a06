"""Every sentence about a result, in the unit wanted: verdict, plan, move, trim, forecast, comparison, measurement.

Judgement returns numbers and reasons; here they become words, and nowhere else.  Another language's words are written
here and in :mod:`gapvision.codes` (what each notice and refusal says in general).
"""

from gapvision.words.answer import about, answer, as_measured, basis, not_measured
from gapvision.words.car import car_chance, car_words, edge_remedies, edge_work, evenness_words, hang_step
from gapvision.words.cautions import CAUTIONS
from gapvision.words.change import change, datum, heat
from gapvision.words.coach import coach
from gapvision.words.edge_line import edge_line
from gapvision.words.finish import DATA_SHEET, chipping, film, forecast, set_now
from gapvision.words.gauges import gauges
from gapvision.words.glance import Glance, at_a_glance
from gapvision.words.lengths import UNIT_NAMES, Lengths
from gapvision.words.measured import form, numbers, photo_names, print_scale
from gapvision.words.needs import needs
from gapvision.words.notices import notice, notice_dict, notice_line, notice_of
from gapvision.words.paper import (
    INVENTED,
    WHICH_IS_A,
    as_inches,
    by_letters,
    check_by_hand,
    coat_row,
    edges_made,
    fit_answer,
    gap_to_keep,
    plain_rule,
    sides,
    wanted_briefly,
    wanted_gap,
    which_way,
    worst_seam,
)
from gapvision.words.plan import (
    chance,
    metal,
    point_move,
    remedies,
    stage_states,
    steps,
    travel,
    trim_row,
    trim_span,
    trim_total,
)
from gapvision.words.study import U_PARTS
from gapvision.words.verdict import (
    HEED,
    OPPOSITE_UNCHECKED,
    STATUS,
    against,
    check,
    check_briefly,
    check_name,
    check_place,
    check_values,
    deciding,
    decision,
    failed_checks,
    first_up,
    furthest,
    furthest_briefly,
    reasons,
    rule,
    rule_title,
    span_state,
    verdict_sentence,
    worst,
)
from gapvision.words.work import edge_deeds, is_out, work_card, work_card_of

#: How files and the terminal write lengths.
MM = Lengths("mm")
