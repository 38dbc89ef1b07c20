"""Every move of a planned job as a row."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.caps.flow import filament_area
from kinematics.gcode.moves import KIND_NAMES, PRINT
from kinematics.studies.causes import cause_name
from kinematics.studies.timing import Planned

if TYPE_CHECKING:
    import pandas


def moves_frame(planned: Planned) -> pandas.DataFrame:
    """One row a move of the file, in its order; the flow is that at the move's peak speed.

    Of a move that is planned in pieces: first and last speed, greatest speed and flow, least acceleration, and the
    causes of the pieces that cruise and ramp longest.
    """
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
    frame = pandas.DataFrame(
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
    first = planned.first_pieces
    return frame if isinstance(first, slice) else _joined(frame, first, planned)


def _joined(pieces: pandas.DataFrame, first: NDArray[np.int64], planned: Planned) -> pandas.DataFrame:
    """The rows of pieces as one row a move; `first` (m) the first piece of each."""
    frame = pieces.iloc[first].reset_index(drop=True)
    for column in ("length_mm", "t_s"):
        frame[column] = np.add.reduceat(pieces[column].to_numpy(), first)
    for column in ("v_peak_mm_s", "flow_mm3_s"):
        frame[column] = np.maximum.reduceat(pieces[column].to_numpy(), first)
    frame["a_mm_s2"] = np.minimum.reduceat(pieces["a_mm_s2"].to_numpy(), first)
    frame["v_out_mm_s"] = pieces["v_out_mm_s"].to_numpy()[np.append(first[1:], len(pieces)) - 1]
    plan = planned.plan
    for column, seconds in (("cruise_cause", plan.cruising), ("ramp_cause", plan.rising + plan.falling)):
        order = np.lexsort((-seconds, planned.whole))  # the longest of each move comes first
        frame[column] = pieces[column].iloc[order[first]].reset_index(drop=True)
    return frame
