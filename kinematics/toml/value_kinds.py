"""The kinds of value that a key may hold, each with the words that say what is allowed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

LARGEST_COUNT = 2**31 - 1  # counts go into 32-bit arrays


@dataclass(frozen=True)
class Allowed:
    """What may stand at a key, in the words of an error message."""

    text: str


@dataclass(frozen=True)
class Advice:
    """Marks a key for which some wrong values have a remedy of their own; a kind of file says which."""

    def hint(self, value: Any) -> str:
        """What to try instead of a wrong value; empty where nothing is known."""
        return ""


def _whole(value: Any) -> Any:
    # A sweep counts in floats: 32.0 is a count as well.
    return int(value) if isinstance(value, float) and value.is_integer() else value


# Strict: true is not a number, nor is "5". No infinities: a limit that is to be none is left out. The bounds keep every
# product of a few values far from what a float can hold; no machine comes near them.
LEAST, MOST = 1e-9, 1e9
Positive = Annotated[
    float, Field(strict=True, ge=LEAST, le=MOST, allow_inf_nan=False), Allowed("a number above 0 (1e-9 to 1e9)")
]
NotNegative = Annotated[
    float, Field(strict=True, ge=0, le=MOST, allow_inf_nan=False), Allowed("a number, 0 or more (up to 1e9)")
]
AnyNumber = Annotated[
    float, Field(strict=True, ge=-MOST, le=MOST, allow_inf_nan=False), Allowed("a number (-1e9 to 1e9)")
]
Temperature = Annotated[
    float,
    Field(strict=True, gt=-273.15, le=MOST, allow_inf_nan=False),
    Allowed("a temperature in °C, a number above -273.15"),
]
Count = Annotated[
    int, Field(strict=True, ge=0, le=LARGEST_COUNT), BeforeValidator(_whole), Allowed("a whole number, 0 or more")
]
CountFromOne = Annotated[
    int, Field(strict=True, ge=1, le=LARGEST_COUNT), BeforeValidator(_whole), Allowed("a whole number, 1 or more")
]
YesNo = Annotated[bool, Field(strict=True), Allowed("true or false")]
Text = Annotated[str, Field(strict=True), Allowed("text in quotes")]
Name = Annotated[str, Field(strict=True, pattern=r"\S"), Allowed("text in quotes, not blank")]
