"""One page to pass on: sections of sentences, figures and tables as a single HTML file that needs nothing else.

The page holds no script and loads nothing; its policy forbids both. Every text is escaped by the template, and named
paths stand in it by their last part alone.
"""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from pathlib import PurePath
from typing import TYPE_CHECKING, NamedTuple

from kinematics import __version__
from kinematics.reports.style import DARK, FAMILY, LIGHT, Drawing, DrawingLook, figure_kept, sheet
from kinematics.wording import harmless

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FEW_ROWS = 8  # a table of more is folded up behind its figure
FONTS = f"'{FAMILY}', Verdana, sans-serif"
_IDS = re.compile(r'(\bid="|url\(#|xlink:href="#|href="#)')


class PageTable(NamedTuple):
    """A table: what it holds, heads with whether their columns stand right, and cells."""

    caption: str
    heads: Sequence[tuple[str, bool]]
    rows: Sequence[Sequence[str]]

    @property
    def is_long(self) -> bool:
        """Whether it is folded up."""
        return len(self.rows) > FEW_ROWS

    @property
    def has_heads(self) -> bool:
        """Whether any column has a head."""
        return any(head for head, _ in self.heads)


class Illustration(NamedTuple):
    """A drawing on the page: a name for its file, how it is made (`height` in inches, `grid` and `ratios` of its axes),
    and whether its lines are so many that it stands there as an image.
    """

    name: str
    drawing: Drawing
    height: float
    grid: tuple[int, int] = (1, 1)
    ratios: tuple[float, ...] = ()
    width: float = 7.4
    is_image: bool = False

    def figure(self, look: DrawingLook = LIGHT, titled: bool = True) -> Figure:
        """The figure; `titled` with its finding above it."""
        shape = {"height_ratios": self.ratios} if self.ratios else {}
        return sheet(self.drawing, self.height, look, self.width, self.grid, titled, **shape)


class PagePart(NamedTuple):
    """A part of the page: a heading, sentences, figures, tables that hold their numbers, and what is said below."""

    anchor: str
    title: str
    lead: Sequence[str] = ()
    figures: Sequence[Illustration] = ()
    tables: Sequence[PageTable] = ()
    notes: Sequence[str] = ()
    preformatted: Sequence[Sequence[str]] = ()


class ReportPage(NamedTuple):
    """What the page says first (`title`, `answer`), the block of facts, and its sections."""

    title: str
    answer: Sequence[str]
    facts: Sequence[tuple[str, str]]
    sections: Sequence[PagePart]


class DrawnFigure(NamedTuple):
    """A figure as it stands in the page: finding, what it is about, and markup or images for light and dark."""

    finding: str
    about: str
    svg: str
    light: str
    dark: str
    width: int
    height: int


class Names:
    """The paths of this computer that may be named in texts, and their last parts."""

    def __init__(self, paths: Iterable[str]) -> None:
        known = {path for path in paths if PurePath(path).name not in ("", path)}
        self._paths = sorted(known, key=len, reverse=True)

    def told(self, text: str) -> str:
        """A text with the last parts of paths alone, and nothing in it that is no text."""
        for path in self._paths:
            text = text.replace(path, PurePath(path).name)
        return harmless(text.encode("utf-8", "backslashreplace").decode())


def inline_svg(text: str, prefix: str, words: str) -> str:
    """An SVG as it stands inside a page: its ids prefixed, its colours those of the page, `words` what it shows."""
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.S)
    text = _IDS.sub(lambda found: found[0] + prefix, text)
    for name, colour in LIGHT.named().items():
        text = text.replace(f": {colour}", f": var(--{name})")
        text = text.replace(f'fill="{colour}"', f'style="fill: var(--{name})"')
    return text.replace(f"'{FAMILY}'", FONTS).replace("<svg ", f'<svg role="img" aria-label="{escape(words)}" ', 1)


def _svg_of(figure: Figure) -> str:
    held = io.BytesIO()
    figure_kept(figure, held, ".svg", see_through=True)
    return held.getvalue().decode()


def _image_of(figure: Figure) -> str:
    held = io.BytesIO()
    figure_kept(figure, held, ".png")
    return "data:image/png;base64," + base64.b64encode(held.getvalue()).decode()


def drawn_figure(one: Illustration, prefix: str, names: Names) -> DrawnFigure:
    """A figure made ready for the page."""
    figure = one.figure(titled=False)
    head = getattr(figure, "headline")  # noqa: B009  the figure's type does not know of it
    svg = light = dark = ""
    if one.is_image:
        light, dark = _image_of(figure), _image_of(one.figure(DARK, titled=False))
    else:
        svg = inline_svg(_svg_of(figure), prefix, names.told(head.finding))
    width, height = (round(96 * inches) for inches in figure.get_size_inches())
    return DrawnFigure(head.finding, head.about, svg, light, dark, width, height)


def _variables(look: DrawingLook) -> str:
    return " ".join(f"--{name}: {colour};" for name, colour in look.named().items())


def page_html(page: ReportPage, names: Names) -> str:
    """The page as HTML: the same page gives the same text."""
    import jinja2
    from markupsafe import Markup

    loader = jinja2.PackageLoader("kinematics.reports", "templates")
    environment = jinja2.Environment(
        loader=loader, autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["told"] = names.told
    environment.filters["markup"] = Markup
    figures: Mapping[str, list[DrawnFigure]] = {
        section.anchor: [drawn_figure(one, f"{section.anchor}-{i}-", names) for i, one in enumerate(section.figures)]
        for section in page.sections
    }
    source = loader.get_source(environment, "report.css")[0]
    return environment.get_template("report.html").render(
        page=page,
        figures=figures,
        style=Markup(source),
        light=_variables(LIGHT),
        dark=_variables(DARK),
        version=__version__,
    )
