"""Every move of a planned job as a row."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from kinematics.caps import columns as by
from kinematics.caps.flow import filament_area
from kinematics.gcode.moves import KIND_NAMES, PRINT
from kinematics.studies.causes import cause_name
from kinematics.studies.prepared import Planned

if TYPE_CHECKING:
    import pandas


def moves_frame(planned: Planned) -> pandas.DataFrame:
    """One row a move, in file order; the flow is that at the move's peak speed."""
    import pandas

    moves, features, plan = planned.job.moves, planned.features, planned.plan
    flow = np.where(moves.kind == PRINT, features.ratio * plan.speed_peak * filament_area(planned.machine), 0.0)
    classes, limits = planned.classes, planned.limits
    names = [
        cause_name(classes.table, limits, row, code) for row in range(len(classes.table)) for code in range(by.CAUSES)
    ]
    categories = list(dict.fromkeys(names))
    codes = np.array([categories.index(name) for name in names])
    row = classes.of_move.astype(np.int64) * by.CAUSES
    return pandas.DataFrame(
        {
            "line": moves.line,
            "kind": pandas.Categorical.from_codes(moves.kind, list(KIND_NAMES)),
            "layer": moves.layer,
            "label": pandas.Categorical.from_codes(planned.job.labels.of_move, list(planned.job.labels.names)),
            "length_mm": features.length,
            "v_in_mm_s": plan.speed_in,
            "v_peak_mm_s": plan.speed_peak,
            "v_out_mm_s": plan.speed_out,
            "a_mm_s2": plan.acceleration,
            "flow_mm3_s": flow,
            "t_s": plan.duration,
            "cruise_cause": pandas.Categorical.from_codes(codes[row + plan.cruise_cause], categories),
            "ramp_cause": pandas.Categorical.from_codes(codes[row + plan.ramp_cause], categories),
        }
    )
