"""The sheet that lies beside the machine while a proof is printed: its shape, where to measure, when to stop."""

from __future__ import annotations

from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from kinematics.errors import InputError
from kinematics.proofs.shape import wall_loops
from kinematics.reports.lettering import TITLE, lettered
from kinematics.reports.proof_screen import CAUTIONS, LOOK_FOR
from kinematics.wording import duration_text, quantity_text

if TYPE_CHECKING:
    from kinematics.proofs.plan import ProofPlan

KINDS = (".pdf", ".png", ".svg")
PAGE = (8.27, 11.69)  # inches: A4
COLUMNS = 92  # letters of a line of text
SALT = "kinematics"


def check_sheet(path: Path) -> None:
    """Refuse what cannot be drawn before any work is done."""
    if path.suffix.lower() not in KINDS:
        raise InputError.at(
            "--sheet", f"can't draw a sheet that ends in {path.suffix!r}", "FILE.pdf, FILE.png or FILE.svg"
        )


def draw_sheet(plan: ProofPlan, machine: str, unit: str, seconds: float, path: Path) -> None:
    """One page: the print from above and from the side with the values of its bands, and what to do with it."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    figure = Figure(figsize=PAGE)
    ends = f"{quantity_text(plan.bands.start)} to {quantity_text(plan.bands.values[-1])} {unit}"
    title = f"Proof of {plan.kind.varies}: {ends}"
    figure.text(0.08, 0.955, title, fontsize=15, weight="bold")
    figure.text(0.08, 0.932, lettered(f"{machine} · takes {duration_text(seconds)}", TITLE), fontsize=10)
    if plan.kind.name == "flow":
        _draw_pieces(figure.add_axes((0.16, 0.57, 0.76, 0.32)), plan)
    else:
        _draw_above(figure.add_axes((0.12, 0.56, 0.34, 0.33)), plan)
        _draw_side(figure.add_axes((0.6, 0.56, 0.32, 0.33)), plan, unit)
    _write(figure, 0.48, "What to look for", LOOK_FOR[plan.kind.name])
    _write(figure, 0.30, "Caution", CAUTIONS)
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": SALT}):
        metadata: dict[str, Any] = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}, ".png": {"Software": None}}
        figure.savefig(path, dpi=150, metadata=metadata[path.suffix.lower()])


def _write(figure: Any, top: float, title: str, sentences: tuple[str, ...]) -> None:
    figure.text(0.08, top, title, fontsize=12, weight="bold")
    place = top - 0.03
    for sentence in sentences:
        for i, line in enumerate(wrap(sentence, COLUMNS)):
            figure.text(0.08 if i == 0 else 0.1, place, f"– {line}" if i == 0 else line, fontsize=10)
            place -= 0.021
        place -= 0.006


def _draw_above(axes: Any, plan: ProofPlan) -> None:
    for loop in wall_loops(plan.width, False):
        x, y = zip(*loop.corners, loop.corners[0], strict=True)
        axes.plot(x, y, color="black", linewidth=1.0)
    axes.set_aspect("equal")
    axes.set_title("from above", fontsize=10)
    axes.set_xlabel("X (mm)")
    axes.set_ylabel("Y (mm)")


def _draw_side(axes: Any, plan: ProofPlan, unit: str) -> None:
    bands = plan.bands
    for i, ((low, high), value) in enumerate(zip(bands.edges(), bands.values, strict=True)):
        axes.fill_between([0.0, 1.0], low, high, color="0.85" if i % 2 else "1.0", edgecolor="black", linewidth=0.8)
        axes.plot([-0.03, 1.03], [low, low], color="black", linewidth=1.6)
        axes.text(0.5, 0.5 * (low + high), f"{quantity_text(value)} {unit}", ha="center", va="center", fontsize=9)
    axes.fill_between([0.0, 1.0], 0.0, bands.base_mm, color="0.6")
    axes.set_xlim(-0.1, 1.1)
    axes.set_ylim(0.0, bands.top_mm * 1.02)
    axes.set_xticks([])
    axes.set_yticks([*(round(low, 2) for low, _ in bands.edges()), round(bands.top_mm, 2)])
    axes.set_ylabel("height from the bed (mm)")
    axes.set_title("from the side; each band begins with a rib", fontsize=10)


def _draw_pieces(axes: Any, plan: ProofPlan) -> None:
    values = plan.bands.values
    axes.barh(range(1, len(values) + 1), values, color="0.8", edgecolor="black")
    for number, value in enumerate(values, 1):
        axes.text(value, number, f" {quantity_text(value)} mm³/s: ______ g", va="center", fontsize=10)
    axes.set_xlim(0.0, max(values) * 1.45)
    axes.set_yticks(range(1, len(values) + 1), [f"piece {number}" for number in range(1, len(values) + 1)])
    axes.invert_yaxis()
    axes.set_xlabel(f"flow (mm³/s); every piece is {plan.piece_mm:g} mm of filament")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
