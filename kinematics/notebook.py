"""Results as small tables and pictures in notebooks."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from importlib import import_module
from typing import TYPE_CHECKING, Any, cast

from kinematics.wording import duration_text, share_text

if TYPE_CHECKING:
    import pandas
    from matplotlib.axes import Axes

PICTURES = "kinematics.reports.pictures"  # by name: results know of no picture until one is asked for
SPEEDS = ("_mm_s", "_mm3_s", "_per_s")  # end like seconds, and are none


class NotebookTable(ABC):
    """A result that stands in a notebook as the table of its frame, under the words of its repr, and can be drawn."""

    @abstractmethod
    def to_frame(self) -> pandas.DataFrame:
        """The rows of the table, each column named with its unit."""

    def plot(self, axes: Axes | None = None) -> Axes:
        """Draw the result into axes, new ones where none are given; the axes."""
        return drawn_by("plot_result", self, axes)

    def _repr_html_(self) -> str:
        return html_of_frame(repr(self).removeprefix("<").removesuffix(">"), self.to_frame())


def frame_of(rows: Iterable[Any], columns: Sequence[str] | None = None) -> pandas.DataFrame:
    """Rows as a DataFrame; its library takes time to load, so nobody loads it sooner."""
    import pandas

    return pandas.DataFrame(rows, columns=columns)


def drawn_by(name: str, *arguments: Any) -> Axes:
    """What a function of the room of pictures draws: the axes."""
    return cast("Axes", getattr(import_module(PICTURES), name)(*arguments))


def html_table(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table with a caption; all text is escaped."""
    from html import escape

    head = "".join(f"<th>{escape(text)}</th>" for text in heads)
    body = "".join("<tr>" + "".join(f"<td>{escape(text)}</td>" for text in row) + "</tr>" for row in rows)
    return f"<table><caption>{escape(title)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def html_of_frame(title: str, frame: pandas.DataFrame) -> str:
    """A DataFrame as a table with a caption: seconds as durations, shares as per cent, at most three decimals."""
    names = [str(name) for name in frame.columns]
    heads = [name.removesuffix("_s") if _is_seconds(name) else name for name in names]
    rows = ([_cell(name, value) for name, value in zip(names, row, strict=True)] for row in frame.values.tolist())
    return html_table(title, heads, rows)


def _is_seconds(name: str) -> bool:
    return name.endswith("_s") and not name.endswith(SPEEDS)


def _cell(name: str, value: object) -> str:
    if value is None or value != value:  # what is not known is no number
        return ""
    if isinstance(value, float) and _is_seconds(name):
        return duration_text(value)
    if isinstance(value, float) and name.endswith("_share"):
        return share_text(value)
    if isinstance(value, (list, tuple)):
        return ", ".join(map(str, value))
    return f"{value:.3f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)
