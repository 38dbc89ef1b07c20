"""The sheet that lies beside the machine while a proof is printed: its shape, where to measure, when to stop."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from kinematics.proofs.shape import wall_loops
from kinematics.reports.proof_screen import CAUTIONS, LOOK_FOR
from kinematics.reports.style import (
    DOTS_PER_INCH,
    HAIR_WIDTH,
    LEADING,
    LIGHT,
    POINTS_AN_INCH,
    STROKE_WIDTH,
    TEXT_SIZE,
    DrawingLook,
    drawn_alike,
    dress,
    fitted,
    folded,
    save,
)
from kinematics.wording import duration_text, quantity_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from kinematics.proofs.plan import ProofPlan

PAGE = (8.27, 11.69)  # inches: A4
EDGE = 0.75  # inches to the left and right of what is on the page
TITLE, HEADING, SENTENCE = 15.0, 11.5, 9.5  # sizes of letters (points)
TOP_OF_WORDS = 0.49  # of the page's height


def draw_sheet(plan: ProofPlan, machine: str, unit: str, seconds: float, path: Path) -> None:
    """Write one page: the print from above and from the side with the values of its bands, and what to do with it."""
    save(sheet_figure(plan, machine, unit, seconds), path)


def sheet_figure(plan: ProofPlan, machine: str, unit: str, seconds: float, look: DrawingLook = LIGHT) -> Figure:
    """The page as a figure."""
    from matplotlib.figure import Figure

    with drawn_alike():
        figure = Figure(figsize=PAGE, facecolor=look.paper, dpi=DOTS_PER_INCH)
        ends = f"{quantity_text(plan.bands.start)} to {quantity_text(plan.bands.values[-1])} {unit}"
        room = (PAGE[0] - 2.0 * EDGE) * POINTS_AN_INCH
        title = fitted(f"Proof of {plan.kind.varies}: {ends}", room, TITLE, "bold")
        figure.text(EDGE / PAGE[0], 0.955, title, size=TITLE, weight="bold", color=look.ink)
        taken = f"takes {duration_text(seconds)}, on "
        figure.text(EDGE / PAGE[0], 0.932, fitted(taken + machine, room, SENTENCE), size=SENTENCE, color=look.faint)
        if plan.kind.name == "flow":
            _draw_pieces(_axes(figure, look, (0.17, 0.57, 0.74, 0.32)), look, plan)
        else:
            _draw_above(_axes(figure, look, (0.14, 0.56, 0.32, 0.32)), look, plan)
            _draw_side(_axes(figure, look, (0.62, 0.56, 0.29, 0.32)), look, plan, unit)
        below = _write(figure, look, TOP_OF_WORDS, "What to look for", LOOK_FOR[plan.kind.name])
        _write(figure, look, below - 0.02, "Caution", CAUTIONS)
    return figure


def _axes(figure: Figure, look: DrawingLook, place: tuple[float, float, float, float]) -> Any:
    axes = figure.add_axes(place)
    dress(axes, look)
    return axes


def _write(figure: Figure, look: DrawingLook, top: float, title: str, sentences: tuple[str, ...]) -> float:
    """A heading and sentences under it; where they end (share of the page's height)."""
    left = EDGE / PAGE[0]
    figure.text(left, top, title, size=HEADING, weight="bold", color=look.ink, va="top")
    step = SENTENCE * LEADING / POINTS_AN_INCH / PAGE[1]
    place = top - 1.8 * step
    indent = 12.0 / POINTS_AN_INCH / PAGE[0]
    for sentence in sentences:
        figure.text(left, place, "–", size=SENTENCE, color=look.ink, va="top")
        for line in folded(sentence, (PAGE[0] - 2.0 * EDGE) * POINTS_AN_INCH - 12.0, SENTENCE, most=12):
            figure.text(left + indent, place, line, size=SENTENCE, color=look.ink, va="top")
            place -= step
        place -= 0.3 * step
    return place


def _draw_above(axes: Any, look: DrawingLook, plan: ProofPlan) -> None:
    for loop in wall_loops(plan.width, False):
        x, y = zip(*loop.corners, loop.corners[0], strict=True)
        axes.plot(x, y, color=look.tones[0], linewidth=STROKE_WIDTH)
    axes.set_aspect("equal")
    axes.grid(color=look.grid, linewidth=HAIR_WIDTH)
    axes.set_title("from above", size=TEXT_SIZE, color=look.ink, loc="left")
    axes.set_xlabel("X (mm)")
    axes.set_ylabel("Y (mm)")


def _draw_side(axes: Any, look: DrawingLook, plan: ProofPlan, unit: str) -> None:
    bands = plan.bands
    for i, ((low, high), value) in enumerate(zip(bands.edges(), bands.values, strict=True)):
        axes.fill_between(
            [0.0, 1.0], low, high, color=look.fills[3 if i % 2 else 1], edgecolor=look.rule, linewidth=HAIR_WIDTH
        )
        axes.plot([-0.03, 1.03], [low, low], color=look.ink, linewidth=STROKE_WIDTH)
        axes.text(
            0.5,
            0.5 * (low + high),
            f"{quantity_text(value)} {unit}",
            ha="center",
            va="center",
            size=TEXT_SIZE,
            color=look.ink,
        )
    axes.fill_between([0.0, 1.0], 0.0, bands.base_mm, color=look.rule)
    axes.set_xlim(-0.1, 1.1)
    axes.set_ylim(0.0, bands.top_mm * 1.02)
    axes.set_xticks([])
    axes.set_yticks([*(round(low, 2) for low, _ in bands.edges()), round(bands.top_mm, 2)])
    axes.set_ylabel("height from the bed (mm)")
    axes.set_title("from the side: a rib begins each band", size=TEXT_SIZE, color=look.ink, loc="left")


def _draw_pieces(axes: Any, look: DrawingLook, plan: ProofPlan) -> None:
    values = plan.bands.values
    axes.barh(range(1, len(values) + 1), values, color=look.fills[5], edgecolor=look.tones[0], linewidth=HAIR_WIDTH)
    for number, value in enumerate(values, 1):
        words = f" {quantity_text(value)} mm³/s: ______ g"
        axes.text(value, number, words, va="center", size=TEXT_SIZE, color=look.ink)
    axes.set_xlim(0.0, max(values) * 1.45)
    axes.set_yticks(range(1, len(values) + 1), [f"piece {number}" for number in range(1, len(values) + 1)])
    axes.invert_yaxis()
    axes.set_xlabel(f"flow (mm³/s); every piece is {plan.piece_mm:g} mm of filament")
