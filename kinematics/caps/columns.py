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
    MOTOR_1_SPEED,  # of the motors that move several axes at once: names in Limits.motors
    MOTOR_2_SPEED,
    MOTOR_3_SPEED,
    MOTOR_1_STEADY,  # such a motor's acceleration at steady tool speed
    MOTOR_2_STEADY,
    MOTOR_3_STEADY,
    MOVE_RATE_SPEED,  # moves, bytes that the controller takes in
    BYTE_RATE_SPEED,
    DRIVE_1,  # what a motor pulls at its speed, of cruising and of ramps: names in Limits.drives
    DRIVE_2,
    DRIVE_3,
    DRIVE_4,
    ADVANCE,  # pressure advance, of cruising and of ramps
    CORNER,
    PATH_ACCELERATION,
    X_ACCELERATION,
    Y_ACCELERATION,
    Z_ACCELERATION,
    FILAMENT_ACCELERATION,
    MOTOR_1_ACCELERATION,
    MOTOR_2_ACCELERATION,
    MOTOR_3_ACCELERATION,
    CAUSES,
) = range(29)

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
    MOTOR_1_MOST,  # speed of a motor that moves several axes at once (mm/s)
    MOTOR_2_MOST,
    MOTOR_3_MOST,
    MOTOR_1_RAMP,  # acceleration of such a motor (mm/s²)
    MOTOR_2_RAMP,
    MOTOR_3_RAMP,
    X_ROUNDING,  # change of speed of an axis at a corner whose rounding uses up the budget (mm/s)
    Y_ROUNDING,
    MOVE_RATE,  # moves a second
    BYTE_RATE,  # bytes a second
    LIMITS,
) = range(28)
