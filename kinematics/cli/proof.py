"""`kinematics proof acceleration | corner | pressure-advance | flow | filter | read`."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kinematics.cli.options import AS_JSON, HELP, SETTINGS, write_machine, write_machine_option
from kinematics.errors import InputError

if TYPE_CHECKING:
    from kinematics.machine import Machine
    from kinematics.proofs.reading import ProofReading, RippleReading

OVERWRITE = click.option("--force", is_flag=True, help="Overwrite the files that are written.")
MATTERS = {
    "acceleration": "Bands of rising print acceleration.",
    "corner": "Bands in which corners are taken ever faster.",
    "pressure-advance": "Bands of rising pressure advance.",
    "flow": "Pieces of equal length, ever faster, to be weighed.",
    "filter": "Bands of rising speed, for ripples that tell a frequency.",
}


@click.group("proof", context_settings=HELP)
def command() -> None:
    """Write a small print that proves a limit; read what was measured on it."""


def _writer(kind: str, words: str) -> click.Command:
    @click.command(kind, context_settings=HELP, short_help=words)
    @click.option(
        "--machine", "machine_name", required=True, metavar="FILE", help="Machine file, with a [proof] table."
    )
    @SETTINGS
    @click.option("--dialect", default="extrusion", metavar="NAME|FILE", help="How your controller is told a setting.")
    @click.option("--from", "start", type=float, metavar="VALUE", help="Value of the lowest band.")
    @click.option("--to", "end", type=float, metavar="VALUE", help="Value of the highest band.")
    @click.option("--bands", "count", type=int, metavar="N", help="How many bands or pieces.")
    @click.option(
        "--band-height",
        "band_mm",
        type=click.FloatRange(0.5, 50.0),
        default=5.0,
        metavar="MM",
        help="Height of a band (default: 5).",
    )
    @click.option("--speed", type=click.FloatRange(1.0, 2000.0), metavar="MM_S", help="Speed along the walls.")
    @click.option("--at", "centre", metavar="X,Y", help="Where it stands (default: the middle of the bed).")
    @click.option("--relative-filament", is_flag=True, help="Filament from move to move, not as a sum.")
    @click.option(
        "-o",
        "--output",
        required=True,
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="The G-code file to write.",
    )
    @click.option(
        "--sheet", type=click.Path(path_type=Path), metavar="FILE", help="A page to go with it: .pdf, .png or .svg."
    )
    @OVERWRITE
    @AS_JSON
    def one(
        machine_name: str,
        settings: tuple[str, ...],
        dialect: str,
        start: float | None,
        end: float | None,
        count: int | None,
        band_mm: float,
        speed: float | None,
        centre: str | None,
        relative_filament: bool,
        output: Path,
        sheet: Path | None,
        force: bool,
        as_json: bool,
    ) -> None:
        from kinematics.cli import console
        from kinematics.gcode.dialect_file import load_dialect
        from kinematics.machine import load_machine
        from kinematics.outputs import refuse_to_overwrite, write_text_whole, write_whole
        from kinematics.proofs.plan import PROOF_KINDS, plan_of, unit_of
        from kinematics.proofs.writing import proof_text
        from kinematics.reports.proof_screen import proof_document, written_lines
        from kinematics.reports.proof_sheet import draw_sheet
        from kinematics.reports.style import check_kind

        machine = load_machine(machine_name, settings)
        known = load_dialect(dialect)
        read = [machine_name, dialect, *(str(path) for path in _code_files(machine, machine_name))]
        refuse_to_overwrite(output, force, read)
        if sheet is not None:
            check_kind(sheet, "--sheet")
            refuse_to_overwrite(sheet, force, [*read, str(output)])
        plan = plan_of(PROOF_KINDS[kind], machine, start, end, count, band_mm, speed, _place(centre))
        codes = [_text(path) for path in _code_files(machine, machine_name)]
        text = proof_text(plan, machine, known, codes[0], codes[1], relative_filament)
        console.remark_first_run()
        from kinematics import compiled
        from kinematics.jobs.prepared import PreparedJob
        from kinematics.studies.estimate import estimate_prepared

        job = PreparedJob(memoryview(text.encode()), known, str(output))
        seconds = estimate_prepared([job], machine).total_s
        compiled.mark_warm()
        write_text_whole(output, text, force, read, "surrogateescape")
        if sheet is not None:
            write_whole(sheet, lambda path: draw_sheet(plan, machine.name, unit_of(plan), seconds, path), force, read)
        if as_json:
            console.say_json(proof_document(plan, unit_of(plan), seconds))
        else:
            console.say(written_lines(plan, str(output), unit_of(plan), seconds))

    one.help = f"{words}\n\nWritten for your machine, within its known caps; stay by it while it prints."
    return one


for _kind, _words in MATTERS.items():
    command.add_command(_writer(_kind, _words))


@command.command("read", context_settings=HELP, short_help="What was measured, turned into a setting.")
@click.argument("file", required=False, metavar="[FILE]")
@click.option("--height", type=float, metavar="MM", help="Up to which height the print FILE is good.")
@click.option(
    "--per-mm", type=float, metavar="VALUE", help="Of other prints: by how much the setting rises in a millimetre."
)
@click.option(
    "--start", type=float, default=0.0, metavar="VALUE", help="Of other prints: its value at the bed (default: 0)."
)
@click.option("--key", metavar="KEY", help="Of other prints: the key that it is about.")
@click.option("--ripple", type=float, metavar="MM", help="How far ripples are apart.")
@click.option(
    "--ripples", type=click.IntRange(1), default=1, metavar="N", help="Over how many that was measured (default: 1)."
)
@click.option("--speed", type=float, metavar="MM_S", help="Speed of the wall that has them.")
@click.option("--axis", type=click.Choice(["x", "y"]), help="The axis that moves along the wall.")
@click.option("--weights", metavar="FILE", help="CSV table of pieces: flow_mm3_s, weight_g, nozzle_c.")
@click.option("--machine", "machine_name", metavar="FILE", help="Machine file, for --write-machine.")
@write_machine_option("what was proven")
@click.option("--date", metavar="DATE", help="When it was measured (default: today).")
@OVERWRITE
@AS_JSON
def read(
    file: str | None,
    height: float | None,
    per_mm: float | None,
    start: float,
    key: str | None,
    ripple: float | None,
    ripples: int,
    speed: float | None,
    axis: str | None,
    weights: str | None,
    machine_name: str | None,
    machine_file: Path | None,
    date: str | None,
    force: bool,
    as_json: bool,
) -> None:
    """What was measured on a proof print, turned into a setting.

    \b
    kinematics proof read FILE --height 23.5
    kinematics proof read --ripple 3.1 --speed 120 --axis x
    kinematics proof read --weights FILE.csv
    kinematics proof read --per-mm 0.004 --height 9 --key filament.pressure_advance_s
    """
    from kinematics.cli import console
    from kinematics.proofs import reading
    from kinematics.reports import proof_screen

    if machine_file is not None and machine_name is None:
        raise InputError.at("--write-machine", "no machine file to copy", "--machine FILE as well")
    given = [
        name
        for name, value in (("--height", height), ("--ripple", ripple), ("--weights", weights))
        if value is not None
    ]
    if len(given) != 1:
        found = f"{' and '.join(given)} together" if given else "nothing was measured"
        raise InputError.at("proof read", found, "one of --height, --ripple, --weights")
    settings: Mapping[str, Any] = {}
    appended: dict[str, list[Mapping[str, Any]]] = {}
    day = _day(date)
    if height is not None:
        by_height = _by_height(file, height, per_mm, start, key)
        lines, document = proof_screen.reading_lines(by_height), proof_screen.reading_document(by_height)
        settings, appended = _settings_of(by_height, day)
    elif ripple is not None:
        if speed is None or speed <= 0.0:
            raise InputError.at("--ripple", "no speed of the wall", "--speed MM_S, as it was printed")
        by_ripple = reading.by_ripple(ripple, speed, ripples)
        lines, document = proof_screen.ripple_lines(by_ripple, axis), proof_screen.ripple_document(by_ripple, axis)
        if machine_file is not None:
            settings = _mode_of(by_ripple, axis)
    else:
        by_weights = reading.by_weights(reading.weights_from(str(weights)), str(weights))
        lines, document = proof_screen.flow_lines(by_weights), proof_screen.flow_document(by_weights)
        if machine_file is not None or any(one.value is None for one in by_weights):
            settings = reading.flow_settings(by_weights, str(weights))
        least = min((one for one in by_weights if one.low), key=lambda one: one.low or 0.0, default=None)
        if least is not None and least.value is not None:
            appended = _proven(
                ("hotend.max_flow_mm3_s",), float(least.value), float(least.low or 0.0), float(least.high or 0.0), day
            )
    if machine_file is not None and machine_name is not None:
        from kinematics.machine.written import machine_copy

        text = machine_copy(machine_name, settings, appended=appended)
        write_machine(machine_file, text, force, [name for name in (machine_name, file, weights) if name])
    if as_json:
        console.say_json(document)
    else:
        console.say(lines)


def _by_height(file: str | None, height: float, per_mm: float | None, start: float, key: str | None) -> ProofReading:
    from kinematics.proofs import reading
    from kinematics.proofs.writing import header_of

    if per_mm is None:
        if file is None:
            raise InputError.at(
                "--height", "no print that it was measured on", "the proof print's FILE, or --per-mm and --key"
            )
        return reading.by_height(header_of(_text(Path(file)), file), height)
    if key is None:
        raise InputError.at("--per-mm", "no key that it is about", "--key, such as filament.pressure_advance_s")
    from kinematics.machine.names import key_named

    return reading.by_rate(key_named(key).name, key_named(key).unit, per_mm, height, start)


def _settings_of(found: ProofReading, day: str) -> tuple[dict[str, Any], dict[str, list[Mapping[str, Any]]]]:
    """What a copy of the machine file gets: the safe value as the setting, and what was proven."""
    if found.recommended is None or found.recommended <= 0.0:
        return {}, {}
    return dict.fromkeys(found.keys, found.recommended), _proven(found.keys, found.value, found.low, found.high, day)


def _proven(
    keys: tuple[str, ...], value: float, low: float, high: float, day: str
) -> dict[str, list[Mapping[str, Any]]]:
    date = datetime.date.fromisoformat(day)
    ends = {name: float(f"{one:.4g}") for name, one in (("value", value), ("low", low), ("high", high))}
    return {"proven": [{"key": key, **ends, "date": date} for key in keys]}


def _mode_of(found: RippleReading, axis: str | None) -> dict[str, Any]:
    if axis is None:
        raise InputError.at("--write-machine", "no axis that swings", "--axis x or --axis y")
    mode = {"frequency_hz": round(found.frequency, 1), "frequency_uncertainty_share": round(found.uncertainty_share, 3)}
    return {f"vibration.{axis}.modes": [mode]}


def _day(date: str | None) -> str:
    if date is None:
        return datetime.date.today().isoformat()
    try:
        return datetime.date.fromisoformat(date).isoformat()
    except ValueError:
        raise InputError.at("--date", f"{date!r} is no date", "such as 2026-11-30") from None


def _code_files(machine: Machine, machine_name: str) -> list[Path]:
    """The user's own start and end code; paths in a machine file are told from its folder. None where it names none."""
    names = [machine.proof.start_file, machine.proof.end_file]
    folder = Path(machine_name).parent if Path(machine_name).is_file() else Path()
    return [folder / name for name in names if name is not None]


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="surrogateescape")
    except OSError as fault:
        raise InputError.at(str(path), f"cannot be read: {fault.strerror}") from None


def _place(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    found = re.fullmatch(r"\s*([+-]?\d+(?:\.\d+)?)\s*,\s*([+-]?\d+(?:\.\d+)?)\s*", text)
    if found is None:
        raise InputError.at("--at", f"can't read {text!r}", "X,Y in mm, such as 110,110")
    return float(found[1]), float(found[2])
