"""The sections on vibration and on what quality may cost: [vibration.x], [vibration.y], [quality]; and [controller]."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from kinematics.machine.section import Section, with_defaults
from kinematics.toml.value_kinds import Allowed, Positive

Damping = Annotated[float, Field(strict=True, ge=0, lt=1), Allowed("a number from 0 on, below 1")]
ShareBelowOne = Annotated[float, Field(strict=True, ge=0, lt=1), Allowed("a number from 0 on, below 1")]
InnerShare = Annotated[float, Field(strict=True, gt=0, lt=1), Allowed("a number between 0 and 1")]
FilterName = Annotated[
    Literal["none", "ZV", "ZVD", "ZVDD", "EI", "two-hump-EI", "three-hump-EI"],
    Allowed('"none", "ZV", "ZVD", "ZVDD", "EI", "two-hump-EI" or "three-hump-EI"'),
]


class ModeOfAxis(Section):
    """One way in which an axis swings: frequency (Hz), damping ratio, and how far off the frequency may be (share)."""

    frequency_hz: Positive
    damping_ratio: Damping = 0.0
    frequency_uncertainty_share: ShareBelowOne = 0.0


class AxisVibration(Section):
    """[vibration.…]: the modes of one axis and the filter that its commands go through.

    The filter's frequency (Hz) and damping ratio are those of the first mode where they are left out; without a filter
    named, none is known.
    """

    modes: Annotated[
        tuple[ModeOfAxis, ...] | None, Allowed("[{ frequency_hz = 48.2, damping_ratio = 0.07 }], one table a mode")
    ] = None
    filter: FilterName | None = None
    filter_frequency_hz: Positive | None = None
    filter_damping_ratio: Damping | None = None


class Vibration(Section):
    """[vibration]: the axes on which a printer swings."""

    x: AxisVibration = with_defaults()
    y: AxisVibration = with_defaults()


class Quality(Section):
    """[quality]: how far the filter may cut a corner (mm), which share of that ramps may use, and how far an axis may
    swing after a single kick (mm, amplitude).
    """

    rounding_budget_mm: Positive | None = None
    rounding_split: InnerShare = 0.5
    ringing_budget_mm: Positive | None = None


class Controller(Section):
    """[controller]: how many moves and bytes a second it takes in."""

    moves_per_s: Positive | None = None
    bytes_per_s: Positive | None = None
