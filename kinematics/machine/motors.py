"""The sections that say how motors move the tool: [machine.delta] and [motors.…]."""

from __future__ import annotations

from kinematics.machine.section import Section
from kinematics.machine.value_kinds import PositiveLimit, ThreeAngles
from kinematics.toml.value_kinds import Positive


class Delta(Section):
    """[machine.delta]: length of the arms and distance of the towers (mm), and where the towers stand (°, from +x).

    `tower_radius_mm` is the distance from tool centre to arm joint, the offsets of joints and effector subtracted.
    """

    arm_mm: Positive
    tower_radius_mm: Positive
    tower_angles_deg: ThreeAngles = (210.0, 330.0, 90.0)


class Motor(Section):
    """[motors.…]: what one motor may at most, in mm of what it moves (mm/s, mm/s²); None is no limit."""

    max_speed_mm_s: PositiveLimit = None
    max_acceleration_mm_s2: PositiveLimit = None
