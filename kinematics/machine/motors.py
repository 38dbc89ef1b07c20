"""The sections that say how motors move the tool: [machine.delta] and [motors.…]."""

from __future__ import annotations

from kinematics.machine.section import Section
from kinematics.machine.value_kinds import PositiveLimit, ShareOfOne, ThreeAngles, TorqueCurve
from kinematics.toml.value_kinds import NotNegative, Positive


class Delta(Section):
    """[machine.delta]: length of the arms and distance of the towers (mm), and where the towers stand (°, from +x).

    `tower_radius_mm` is the distance from tool centre to arm joint, the offsets of joints and effector subtracted.
    """

    arm_mm: Positive
    tower_radius_mm: Positive
    tower_angles_deg: ThreeAngles = (210.0, 330.0, 90.0)


class Motor(Section):
    """[motors.…]: what one motor may at most, in mm of what it moves (mm/s, mm/s²), None is no limit; and its drive.

    The drive: torque (Nm) against rev/min, travel of what it moves in a revolution (mm), inertia of its rotor (kg·m²),
    and the share of the torque that may be used.
    """

    max_speed_mm_s: PositiveLimit = None
    max_acceleration_mm_s2: PositiveLimit = None
    torque_nm: TorqueCurve = None
    mm_per_rev: Positive | None = None
    rotor_inertia_kg_m2: NotNegative | None = None
    usable_torque_share: ShareOfOne | None = None
