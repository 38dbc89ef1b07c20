"""Small tables for notebooks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas


def html_table(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table with a caption; all text is escaped."""
    head = "".join(f"<th>{escape(text)}</th>" for text in heads)
    body = "".join("<tr>" + "".join(f"<td>{escape(text)}</td>" for text in row) + "</tr>" for row in rows)
    return f"<table><caption>{escape(title)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def html_of_frame(title: str, frame: pandas.DataFrame) -> str:
    """A DataFrame as a table with a caption, numbers to three decimals."""
    texts = frame.map(lambda value: f"{value:.3f}" if isinstance(value, float) else str(value))
    return html_table(title, [str(name) for name in frame.columns], texts.itertuples(index=False, name=None))
