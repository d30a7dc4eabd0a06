"""Job records: jobs, seams, visits, photos, measurements and verdicts in one data folder.

The door of the room: open a :class:`Store` on a folder; everything it returns
is a plain row of :mod:`gapvision.records.types`.  This room knows measurement
files as dicts (as :mod:`gapvision.formats.measurement_json` writes them) and
verdicts as the judgement room's JSON; it imports neither the measuring nor the
reports.
"""

from gapvision.formats.data_folder import data_folder
from gapvision.records.backup import Backup, back_up, restore
from gapvision.records.conditions import conditions_notices
from gapvision.records.store import Progress, Store
from gapvision.records.types import (
    SIDES,
    STAGES,
    SUPPORTS,
    TICKS,
    BinItem,
    Conditions,
    Job,
    JobLine,
    MeasurementLine,
    NewPhoto,
    Note,
    Seam,
    SeamState,
    Shop,
    StoredPanel,
    StoredPhoto,
    StoredPlan,
    StoredVerdict,
    Visit,
)
from gapvision.records.verifying import Verified
