"""How every picture looks, and the one way in which it is made and saved: a workshop's drawing sheet, light or dark.

A drawing is a function that takes axes and a `Look`, draws, and returns its `Headline`: what it shows in a sentence,
what it is about, and the key. `sheet` makes a figure of it, `plot` puts it into the caller's axes.
"""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Callable, Iterator, Sequence
from functools import cache, lru_cache
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NamedTuple

from kinematics.errors import InputError
from kinematics.wording import harmless

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


TITLE_LETTERS, NAME_LETTERS = (
    90,
    40,
)  # letters that a line across the picture has room for, and the name of a bar or a line
CUT = "…"


def shaped(text: str) -> str:
    """A text in letters that the font of pictures has shapes for, all others spelled as Python does."""
    text = harmless(text.encode("utf-8", "backslashreplace").decode())
    return "".join(letter if _has_shape(letter) else letter.encode("unicode_escape").decode() for letter in text)


def lettered(text: str, most: int) -> str:
    """A text as a picture takes it: the middle of a long one is left out, letters that the font has no shape for are
    spelled as Python does, dollar signs begin no formula.
    """
    text = shaped(text)
    if len(text) > most:
        text = f"{text[: most // 2]}{CUT}{text[-(most - most // 2 - 1) :]}"
    return text.replace("$", r"\$")


@cache
def _has_shape(letter: str) -> bool:
    """Whether the font of pictures has a shape for a letter."""
    return letter.isascii() or bool(_font().get_char_index(ord(letter)))


@cache
def _font() -> Any:
    from matplotlib import font_manager

    return font_manager.get_font(font_manager.findfont(font_manager.FontProperties()))


PICTURE_KINDS = (".png", ".svg", ".pdf")
SALT = "kinematics"  # fixed, so that the names inside an SVG stay the same
FAMILY = "DejaVu Sans"  # comes with the library that draws, so that a picture is the same everywhere
PICTURE_WIDTH = 7.4  # inches
MARGIN = 0.16  # inches around everything
HEAD_SIZE, TEXT_SIZE, SMALL_SIZE = 11.5, 9.0, 8.0  # sizes of letters (points)
LEADING = 1.32  # from line to line, of the size
STROKE_WIDTH, HAIR_WIDTH = 1.6, 0.7  # widths of lines (points)
DOTS_PER_INCH = 160
POINTS_AN_INCH = 72.0  # to an inch
NO_HEADLINE = 0.45  # inches that a figure is lower without one
MOST_LETTERS = 400  # of a text: more have no room in any picture
AS_DRAWN = 1.04  # how much wider letters are drawn where their edges are put on whole pixels
SWATCH = 26.0  # points of a key before its words
HATCHES = ("////", "....", "\\\\\\\\", "xxxx", "----", "++++")


class DrawingLook(NamedTuple):
    """Colours: paper and ink, `faint` for what is said aside, `rule` and `grid` lines; `tones` to tell things apart,
    `fills` for areas that text lies on, from little to much; `speeds` for lines, from slow to fast.

    Tones differ for people who see colours differently and step in lightness, so that they do in grey too; text in ink
    is legible on all fills (`tests/reports/test_style.py`).
    """

    paper: str
    ink: str
    faint: str
    rule: str
    grid: str
    tones: tuple[str, ...]
    fills: tuple[str, ...]
    speeds: tuple[str, ...]

    def named(self) -> dict[str, str]:
        """Every colour by a name of its own."""
        found = {name: getattr(self, name) for name in ("paper", "ink", "faint", "rule", "grid")}
        for group in ("tones", "fills", "speeds"):
            found |= {f"{group}-{i}": colour for i, colour in enumerate(getattr(self, group))}
        return found


LIGHT = DrawingLook(
    paper="#fbfaf5",
    ink="#1d2730",
    faint="#55616b",
    rule="#8b949b",
    grid="#e4e3da",
    tones=("#37507b", "#72012d", "#796723", "#b46877", "#858bba"),
    fills=("#f4f0e1", "#e9e8d8", "#dbdfd0", "#cbd6c9", "#b9ccc4", "#a7c1bf", "#95b6bb", "#84abb6"),
    speeds=("#c09a4e", "#9b8f56", "#748066", "#4f6d74", "#31537a", "#1b2f63"),
)
DARK = DrawingLook(
    paper="#14191e",
    ink="#e9e7e0",
    faint="#a4aeb6",
    rule="#6b757e",
    grid="#283037",
    tones=("#1f94a6", "#ecebb5", "#a89b69", "#45defc", "#9abaac"),
    fills=("#1a2126", "#1f292f", "#243239", "#293b43", "#2e444e", "#334d59", "#385764", "#3d6070"),
    speeds=("#5f6a73", "#70858a", "#84a09b", "#a2b9a5", "#c9d0ae", "#f4efc4"),
)


class LegendKey(NamedTuple):
    """One entry of a key: its words, and how what they name looks (a filled or hatched patch, a line, or a mark, full
    or `hollow`); without a colour the words stand at the head of a row of their own.
    """

    words: str
    colour: str
    hatch: str = ""
    line: str = ""
    mark: str = ""
    hollow: bool = False


class Headline(NamedTuple):
    """What a drawing shows, in a sentence; what it is about; its key; what is to be placed once the room is known."""

    finding: str
    about: str = ""
    keys: tuple[LegendKey, ...] = ()
    place: Callable[[], None] = lambda: None


Drawing = Callable[[Any, DrawingLook], Headline]


def check_kind(path: Path, option: str = "--picture") -> None:
    """Refuse a picture that cannot be drawn before any work is done."""
    if path.suffix.lower() not in PICTURE_KINDS:
        found = f"can't draw a picture that ends in {path.suffix!r}"
        raise InputError.at(option, found, "FILE.png, FILE.svg or FILE.pdf")


@contextlib.contextmanager
def drawn_alike() -> Iterator[None]:
    """Settings of the library under which all pictures are drawn and saved; letters that the typeface lacks are boxes,
    without a remark.
    """
    import matplotlib as mpl

    settings = {
        "svg.fonttype": "none",
        "svg.hashsalt": SALT,
        "font.family": FAMILY,
        "font.size": TEXT_SIZE,
        "hatch.linewidth": 0.6,
        "axes.unicode_minus": False,
        "pdf.fonttype": 42,
    }
    with warnings.catch_warnings(), mpl.rc_context(settings):
        warnings.filterwarnings("ignore", message="Glyph", category=UserWarning)
        yield


@cache
def _letters(size: float, weight: str) -> Any:
    from matplotlib.font_manager import FontProperties

    return FontProperties(family=FAMILY, size=size, weight=weight)


@lru_cache(4096)
def width_of(text: str, size: float = TEXT_SIZE, weight: str = "normal") -> float:
    """How wide a line of text is drawn (points)."""
    if not text:
        return 0.0
    from matplotlib.textpath import text_to_path

    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph", category=UserWarning)
        width, _, _ = text_to_path.get_text_width_height_descent(text, _letters(size, weight), False)
    return float(width) * AS_DRAWN


def in_text(text: str) -> str:
    """A text as the library takes it: dollar signs begin no formula."""
    return text.replace("$", r"\$")


def fitted(text: str, room: float, size: float = TEXT_SIZE, weight: str = "normal") -> str:
    """Foreign words in so many points, the middle left out where they are too long."""
    plain = shaped(text)
    if len(plain) <= MOST_LETTERS and width_of(plain, size, weight) <= room:
        return in_text(plain)
    enough, too_many = 0, min(len(plain), MOST_LETTERS)
    while too_many - enough > 1:
        kept = (enough + too_many) // 2
        if width_of(_shortened(plain, kept), size, weight) <= room:
            enough = kept
        else:
            too_many = kept
    return in_text(_shortened(plain, enough))


def _shortened(text: str, kept: int) -> str:
    """The first and the last letters of a text, so many in all."""
    front = (kept + 1) // 2
    return text[:front].rstrip() + "…" + text[len(text) - kept + front :].lstrip()


def folded(text: str, room: float, size: float = TEXT_SIZE, weight: str = "normal", most: int = 3) -> list[str]:
    """Words in lines of so many points, `most` lines at most; a word that is too long for a line is shortened."""
    space = width_of("a a", size, weight) - width_of("aa", size, weight)
    lines: list[list[str]] = []
    left = 0.0
    for word in shaped(text).split(" "):
        needed = width_of(word[:MOST_LETTERS], size, weight)
        if not lines or (needed + space > left and len(lines) < most):
            lines.append([word])
            left = room - needed
        else:  # the last line takes all that is left, and is then shortened
            lines[-1].append(word)
            left -= needed + space
            if left < -room and len(lines) == most:
                break
    return [fitted(" ".join(words), room, size, weight) for words in lines]


def figure_with(axes: Axes) -> Any:
    """The figure that axes are in."""
    return axes.get_figure(root=True)


def dress(axes: Axes, look: DrawingLook) -> None:
    """Paper, lines and letters of axes."""
    axes.set_facecolor(look.paper)
    for side, spine in axes.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_color(look.rule)
        spine.set_linewidth(HAIR_WIDTH)
    axes.tick_params(
        which="both", colors=look.rule, labelcolor=look.ink, labelsize=SMALL_SIZE, width=HAIR_WIDTH, length=3.0
    )
    axes.tick_params(which="minor", length=1.8)
    for axis in (axes.xaxis, axes.yaxis):
        axis.label.set_color(look.ink)
        axis.label.set_fontsize(TEXT_SIZE)
    axes.set_axisbelow(True)


def _key_handle(key: LegendKey, look: DrawingLook) -> Any:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    if key.mark:
        fill = look.paper if key.hollow else key.colour
        return Line2D([], [], color=key.colour, marker=key.mark, markerfacecolor=fill, linestyle="none")
    if key.line:
        return Line2D([], [], color=key.colour, linestyle=key.line, linewidth=STROKE_WIDTH)
    if key.hatch:
        return Patch(facecolor=look.paper, edgecolor=key.colour, hatch=key.hatch, linewidth=HAIR_WIDTH)
    return Patch(facecolor=key.colour, edgecolor=look.rule, linewidth=HAIR_WIDTH)


def _key_rows(keys: Sequence[LegendKey], room: float) -> list[list[LegendKey]]:
    """Keys in rows of so many points."""
    rows: list[list[LegendKey]] = []
    left = 0.0
    for key in keys:
        words = fitted(key.words, room - SWATCH - 12.0, SMALL_SIZE)
        needed = width_of(words, SMALL_SIZE) + SWATCH + 16.0
        if not rows or needed > left or not key.colour:
            rows.append([])
            left = room
        rows[-1].append(key._replace(words=words))
        left -= needed
    return rows


def _put_keys(figure: Figure, keys: Sequence[LegendKey], look: DrawingLook, width: float, height: float) -> float:
    """The key at the foot of a figure; how high it is (inches)."""
    rows = _key_rows(keys, (width - 2.0 * MARGIN) * POINTS_AN_INCH)
    step = SMALL_SIZE * 1.7 / POINTS_AN_INCH
    for number, row in enumerate(reversed(rows)):
        left, low = MARGIN, MARGIN + number * step
        if not row[0].colour:
            head, *row = row
            place = (left / width, (low + 0.25 * SMALL_SIZE / POINTS_AN_INCH) / height)
            figure.text(*place, head.words, size=SMALL_SIZE, color=look.faint).set_in_layout(False)
            left += (width_of(head.words, SMALL_SIZE) + 10.0) / POINTS_AN_INCH
        legend = figure.legend(
            handles=[_key_handle(key, look) for key in row],
            labels=[key.words for key in row],
            loc="lower left",
            bbox_to_anchor=(left / width, low / height),
            ncols=len(row),
            fontsize=SMALL_SIZE,
            frameon=False,
            borderpad=0.0,
            borderaxespad=0.0,
            columnspacing=1.2,
            handlelength=2.0,
            labelcolor=look.ink,
        )
        legend.set_in_layout(False)
    return len(rows) * step


def sheet(
    drawing: Drawing,
    height: float,
    look: DrawingLook = LIGHT,
    width: float = PICTURE_WIDTH,
    grid: tuple[int, int] = (1, 1),
    titled: bool = True,
    **shape: Any,
) -> Figure:
    """A figure of a drawing, `width` by `height` inches, its headline above (where `titled`) and its key at its foot.

    `grid` rows and columns of axes, and their `shape` as `Figure.subplots` takes it; a drawing of several takes a list
    of them, row by row.
    """
    from matplotlib.figure import Figure

    with drawn_alike():
        figure = Figure(figsize=(width, height), facecolor=look.paper, layout="constrained", dpi=DOTS_PER_INCH)
        figure.subplots(*grid, **shape)
        # Never the array of them: Python sees into no array, so whatever a drawing kept of one, for what it places
        # later, would hold the figure, and the figure that, for ever.
        axes = figure.axes[0] if grid == (1, 1) else figure.axes
        for one in figure.axes:
            dress(one, look)
        head = drawing(axes, look)
        room = (width - 2.0 * MARGIN) * POINTS_AN_INCH
        finding = folded(head.finding, room, HEAD_SIZE, "bold") if head.finding and titled else []
        about = folded(head.about, room, SMALL_SIZE, most=2) if head.about and titled else []
        figure.headline = head  # type: ignore[attr-defined]  # for whoever tells it in words of its own
        if not titled:
            height -= NO_HEADLINE
            figure.set_size_inches(width, height)
        down = MARGIN
        for lines, size, weight, colour in (
            (finding, HEAD_SIZE, "bold", look.ink),
            (about, SMALL_SIZE, "normal", look.faint),
        ):
            for line in lines:
                place = (MARGIN / width, 1.0 - down / height)
                figure.text(*place, line, size=size, weight=weight, color=colour, va="top").set_in_layout(False)
                down += size * LEADING / POINTS_AN_INCH
            down += 0.03 if lines else 0.0
        down += 0.05
        foot = _put_keys(figure, head.keys, look, width, height) + (0.08 if head.keys else 0.0)
        side, low = MARGIN / width, (MARGIN + foot) / height
        layout: Any = figure.get_layout_engine()
        layout.set(rect=(side, low, 1.0 - 2.0 * side, 1.0 - down / height - low), w_pad=0.02, h_pad=0.02)
        figure.draw_without_rendering()
        figure.set_layout_engine("none")
        head.place()
    return figure


def blank(width: float, height: float, look: DrawingLook = LIGHT) -> Any:
    """An empty figure of a width and height (inches), for drawings that lay themselves out."""
    from matplotlib.figure import Figure

    with drawn_alike():
        return Figure(figsize=(width, height), facecolor=look.paper, layout="constrained", dpi=DOTS_PER_INCH)


def plot(drawing: Drawing, axes: Axes | None, height: float = 4.4, look: DrawingLook = LIGHT) -> Axes:
    """Draw into the caller's axes, or into those of a new figure that notebooks show; the axes."""
    if axes is None:
        from matplotlib import pyplot

        figure = pyplot.figure(figsize=(PICTURE_WIDTH, height), layout="constrained", facecolor=look.paper)
        axes = figure.subplots()
    with drawn_alike():
        dress(axes, look)
        head = drawing(axes, look)
        figure = figure_with(axes)
        room = max(axes.get_window_extent().width / figure.dpi * POINTS_AN_INCH, 120.0)
        title = "\n".join(folded(head.finding, room, TEXT_SIZE + 1.0, "bold"))
        axes.set_title(title, loc="left", size=TEXT_SIZE + 1.0, weight="bold", color=look.ink)
        if head.keys:
            handles, words = (
                [_key_handle(key, look) for key in head.keys],
                [in_text(shaped(key.words)) for key in head.keys],
            )
            axes.legend(handles, words, fontsize=SMALL_SIZE, framealpha=1.0, facecolor=look.paper, labelcolor=look.ink)
        figure.draw_without_rendering()
        head.place()
    return axes


def save(figure: Figure, path: Path) -> None:
    """Write a figure; the ending of the path tells how (.png, .svg, .pdf). The same figure gives the same bytes."""
    figure_kept(figure, path, path.suffix)


def figure_kept(figure: Figure, where: Path | IO[bytes], ending: str, see_through: bool = False) -> None:
    """Write a figure to a path or an open file, in the way that an ending tells; `see_through` without its paper."""
    metadata: dict[str, dict[str, None]] = {
        ".svg": {"Date": None},
        ".pdf": {"CreationDate": None},
        ".png": {"Software": None},
    }
    kind = ending.lower()
    paper = "none" if see_through else figure.get_facecolor()
    with drawn_alike():
        figure.savefig(where, dpi=DOTS_PER_INCH, format=kind[1:], metadata=metadata[kind], facecolor=paper)
