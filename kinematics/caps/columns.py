"""What can bound a move, as small numbers, and the columns of the table of limits."""

from __future__ import annotations

# Causes of cruising (Plan.cruise_cause) and of ramping (Plan.ramp_cause); both index the columns of Plan.seconds.
(
    COMMANDED_SPEED,
    SPEED_CAP,
    X_SPEED,
    Y_SPEED,
    Z_SPEED,
    FILAMENT_SPEED,
    CORNER,
    PATH_ACCELERATION,
    X_ACCELERATION,
    Y_ACCELERATION,
    Z_ACCELERATION,
    FILAMENT_ACCELERATION,
    CAUSES,
) = range(13)

# Columns of a table of limits (float64[classes, LIMITS]); infinity where there is no limit.
(
    SPEED_SHARE,  # factor on the commanded speed; 0 where the commanded speed is replaced
    SPEED_REPLACED,  # what stands in its stead (mm/s); infinity where it is not replaced
    CAP,  # speed of any move with a path (mm/s)
    X_MOST,  # speed of a tool axis (mm/s)
    Y_MOST,
    Z_MOST,
    FILAMENT_MOST,  # speed of the filament, from the extruder or from the hotend's flow (mm/s)
    PATH_RAMP,  # acceleration along the path (mm/s²)
    X_RAMP,  # acceleration of a tool axis (mm/s²)
    Y_RAMP,
    Z_RAMP,
    FILAMENT_RAMP,
    DEVIATION,  # junction deviation (mm); infinity where axis steps rule instead
    X_STEP,  # permitted sudden change of speed of an axis (mm/s)
    Y_STEP,
    Z_STEP,
    FILAMENT_STEP,
    LIMITS,
) = range(18)
