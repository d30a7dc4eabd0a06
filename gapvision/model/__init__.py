"""The types that flow between rooms, each with one home: data with its shape checked, no algorithms.

Conventions
-----------
* Points are (x, y) in pixels of the upright photo; the centre of the top-left
  pixel is (0, 0).
* Lengths are millimetres; the unit is in the field name.
* ``std_u_...`` is a standard uncertainty, ``expanded_u_...`` an expanded one
  (coverage factor 2, about 95 %, JCGM 100).
* A station that cannot be measured is left out (a hole); it is never filled in.
"""

from gapvision.model._checks import COVERAGE_FACTOR, FloatArray
from gapvision.model.car import (
    BODIES,
    CAR_ADJUSTERS,
    CAR_WAYS,
    RESPONSE_STD,
    STAYS,
    Body,
    Car,
    CarAdjuster,
    CarSeam,
    CarWay,
    MeasuredCar,
    Place,
    unit_vector,
)
from gapvision.model.car_plan import CarPlan, EdgeWork, HangStep, SeamAfter, WaySetting, seam_state
from gapvision.model.coach import NextPhoto
from gapvision.model.comparison import BETTER, SAME, TIGHTER, WIDER, WORSE, ChangeSpan, Comparison, Datum
from gapvision.model.edge_line import EdgeAlone, EdgeProfile
from gapvision.model.field import FittedField
from gapvision.model.finish import AT_RISK, STAGES, Coat, FilmLoss, FinishForecast, FinishPlan, Swing, TakenFilm
from gapvision.model.judgement import (
    DIRECTIONS,
    HOLE,
    IN,
    OPEN,
    OUT,
    REASONS,
    RULE_VERSION,
    RULES,
    STATES,
    Check,
    DecisionRule,
    Need,
    Needs,
    NominalPoint,
    Reason,
    Span,
    Specification,
    Verdict,
    Way,
    check_behind,
    nonsense,
)
from gapvision.model.measurement import Edge, Measurement, ScaleInfo, SeamQuality, SeenPhoto
from gapvision.model.panel import (
    AIMS,
    EDGES,
    FOLLOWERS,
    HAND_MM,
    PLAIN_WORDS,
    SETTING_MM,
    SKIN_MM,
    Adjuster,
    Mark,
    Panel,
    PanelLayout,
    PanelSeam,
    PhotoPlace,
    Point,
    SeamLayout,
    SeamReading,
    Travel,
    TrimRules,
    path_length,
)
from gapvision.model.photo import Notice, Photo, StripView
from gapvision.model.plan import (
    NOT_MEASURED,
    STAGES_OF_PLAN,
    CorrectionPlan,
    EdgePlan,
    Move,
    MoveResult,
    PointMove,
    StagePrediction,
    StretchPlan,
    TrimLine,
    TrimRow,
    TrimSpan,
)
from gapvision.model.profile import Course, ExtraLine, GapProfile, GapSummary, Step, Straightness
from gapvision.model.proof import (
    SMALL_PARTS,
    Lens,
    PhoneKey,
    PhoneProof,
    Piece,
    Source,
    StudyReading,
    StudyResult,
    Variation,
    is_too_old,
)
from gapvision.model.settings import KnownEdge, KnownStep, LeftOut, Settings, SheetCheck, Taped
