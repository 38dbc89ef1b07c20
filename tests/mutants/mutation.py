"""Mutation testing of planner, caps and filters: `python -m tests.mutants.mutation HOW_MANY SEED [SESSION]`.

Cosmic Ray changes one place of the sources at a time (an operator, a comparison, a number, a loop), and the tests of
`suite.py` ought to notice. A seeded sample is drawn, as many from every section of the model; what survives is printed
with its difference, unless `equivalent.py` proves that nothing could notice it. Exit status 1 where fewer than nine in
ten of the others are noticed, or one that is proven equivalent is.
"""

from __future__ import annotations

import ast
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from tests.mutants.equivalent import EQUIVALENT, Equivalent

ROOT = Path(__file__).resolve().parents[2]
AT_ONCE = 2
LONGEST = 30  # s of processor time for one mutant
ENOUGH = 0.9
NOT_COPIED = shutil.ignore_patterns(".git", ".hypothesis", "*_cache", "__pycache__", ".venv*", "build")

# What each section of the model is computed by.
SECTIONS: dict[str, tuple[str, ...]] = {
    "ceilings of one move": (
        "limits/class_limits.py", "limits/classes.py", "limits/columns.py", "limits/combine.py",
        "limits/command_rate.py", "limits/drive.py", "limits/flow.py",
        "planner/features.py", "planner/falling.py", "planner/ties.py",
    ),
    "speed through a corner": ("planner/corners.py", "planner/ceilings.py"),
    "looking ahead": ("planner/passes.py", "planner/tied.py", "planner/cuts.py"),
    "duration of a move": (
        "planner/plan.py", "planner/sums.py", "planner/batch.py", "planner/durations.py", "planner/ramps.py",
    ),
    "vibration filters": (
        "limits/vibration.py", "planner/filtered.py", "vibration/filters.py", "vibration/extra_insensitive.py",
        "vibration/residual.py", "vibration/rounding.py", "vibration/ringing.py", "vibration/path_rounding.py",
        "vibration/exposure.py",
    ),
}  # fmt: skip
COMPILERS = re.compile(r"@(compiled|compiled_part|compiled_leaf|lru_cache|functools\.cache)\b")


class Mutant(NamedTuple):
    """One change: `section` of the model, `path`, `inside` which function, the lines `before` and `after`, and the item
    of the session.
    """

    section: str
    path: str
    inside: str
    before: str
    after: str
    item: Any

    def equivalent(self) -> Equivalent | None:
        """The proof that nothing can notice this mutant, if there is one."""
        return next((one for one in EQUIVALENT if one[:4] == self[1:5]), None)


def unheard(source: str) -> Iterator[tuple[str, ast.AST]]:
    """The places of a file that no number hangs on, each with what it is."""
    for node in ast.walk(ast.parse(source)):
        for name in ("annotation", "returns"):
            if getattr(node, name, None) is not None:
                yield "annotations", getattr(node, name)
        if isinstance(node, ast.JoinedStr):
            yield "words of messages", node
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            yield "names for type checkers", node


def why_left_out(spec: Any, lines: list[str], places: list[tuple[str, ast.AST]]) -> str | None:
    """Why a mutant cannot change a number by its kind alone; None if it can."""
    (row, column), line = spec.start_pos, lines[spec.start_pos[0] - 1]
    if "RemoveDecorator" in spec.operator_name and COMPILERS.search(line):
        return "decorators that compile or keep"
    for what, node in places:
        begin, end = (node.lineno, node.col_offset), (node.end_lineno, node.end_col_offset)  # type: ignore[attr-defined]
        if begin <= (row, column) < end:
            return what
    return None


def listed(paths: Sequence[str]) -> Iterator[Any]:
    """Every mutant of some sources, as the tool counts them: file by file, operator by operator."""
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.ast.ast_query import ASTQuery
    from cosmic_ray.plugins import get_operator, operator_names
    from cosmic_ray.work_item import MutationSpec

    operators = {name: get_operator(name) for name in operator_names()}
    for path in paths:
        nodes = list(ast_nodes(get_ast(Path(path).read_text(encoding="utf-8"))))
        for name, made in operators.items():
            if made.arguments():
                continue
            positions = ((node, begin, end) for node in nodes for begin, end in made().mutation_positions(node))
            for occurrence, (node, begin, end) in enumerate(positions):
                inside = ASTQuery(node).get_definition_name()
                yield MutationSpec(Path(path), name, occurrence, begin, end, {}, inside)


def by_section() -> tuple[dict[str, list[Any]], Counter[str]]:
    """The mutants of each section in the order of the sources, and how many are left out by their kind."""
    found: dict[str, list[Any]] = {}
    left_out = Counter[str]()
    for section, names in SECTIONS.items():
        found[section] = []
        for path in (f"kinematics/{name}" for name in names):
            source = Path(path).read_text(encoding="utf-8")
            lines, places = source.splitlines(), list(unheard(source))
            for spec in listed([path]):
                why = why_left_out(spec, lines, places)
                if why is None:
                    found[section].append(spec)
                else:
                    left_out[why] += 1
    return found, left_out


def as_mutant(section: str, spec: Any) -> Mutant:
    """What a mutant of the sources changes."""
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator
    from cosmic_ray.work_item import WorkItem

    path = str(spec.module_path)
    source = Path(path).read_text(encoding="utf-8")
    changed = mutate_code(source, get_operator(spec.operator_name)(**spec.operator_args), spec.occurrence)
    one, other = source.splitlines(), changed.splitlines()
    while one and other and one[0] == other[0]:
        one, other = one[1:], other[1:]
    while one and other and one[-1] == other[-1]:
        one, other = one[:-1], other[:-1]
    before, after = (" ".join(line.strip() for line in lines) for lines in (one, other))
    return Mutant(
        section,
        path,
        spec.definition_name or "",
        before,
        after,
        WorkItem.single(f"{path} {spec.operator_name} {spec.occurrence}", spec),
    )


def drawn(found: dict[str, list[Any]], how_many: int, seed: int) -> list[Mutant]:
    """A seeded sample, as many from each section."""
    sample = []
    for k, (section, specs) in enumerate(found.items()):
        share = how_many // len(found) + (1 if k < how_many % len(found) else 0)
        chosen = random.Random(f"{seed} {section}").sample(specs, min(share, len(specs)))
        sample += [as_mutant(section, spec) for spec in chosen]
    return sample


def run(sample: list[Mutant], folder: Path, session: Path) -> dict[str, Any]:
    """Test a sample in copies of the tree, so many at once; the result of each by the number of its item.

    What a session of before has noticed already is not tested again.
    """
    from cosmic_ray.work_db import WorkDB, use_db

    environment = {**os.environ, "NUMBA_DISABLE_JIT": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": ""}
    started, parts = [], [session.with_suffix(f".{part}.sqlite") for part in range(AT_ONCE)]
    for part, path in enumerate(parts):
        with use_db(str(path), WorkDB.Mode.create) as base:
            known = {item.job_id for item in base.work_items}
            base.add_work_items([one.item for one in sample[part::AT_ONCE] if one.item.job_id not in known])
        own = folder.with_name(f"{folder.name}{part}")
        shutil.copytree(folder, own)
        words = [sys.executable, "-m", "tests.mutants.one_by_one", str(path), str(LONGEST)]
        started.append(subprocess.Popen(words, cwd=own, env=environment))
    statuses = [one.wait() for one in started]
    if any(statuses):
        raise SystemExit("the tests are not green without a mutant")
    results: dict[str, Any] = {}
    for path in parts:
        with use_db(str(path), WorkDB.Mode.open) as base:
            results |= dict(base.results)
    return results


def told(sample: list[Mutant], results: dict[str, Any]) -> int:
    """Print kills by section, the score with its interval, and what survived; return the exit status."""
    from scipy.stats import binomtest

    killed, alive = Counter[str](), Counter[str]()
    survivors, proven, wrong = [], [], []
    for mutant in sample:
        dead, proof = results[mutant.item.job_id].is_killed, mutant.equivalent()
        if proof is not None:
            (wrong if dead else proven).append((mutant, proof))
        elif dead:
            killed[mutant.section] += 1
        else:
            alive[mutant.section] += 1
            survivors.append(mutant)
    for mutant in survivors:
        print(f"\nsurvived: {mutant.path} in {mutant.inside}\n- {mutant.before}\n+ {mutant.after}")
    for mutant, proof in proven:
        print(f"\nequivalent: {mutant.path} in {mutant.inside}\n- {mutant.before}\n+ {mutant.after}\n  {proof.proof}")
    for mutant, _ in wrong:
        print(f"\nNOT equivalent: {mutant.path} in {mutant.inside}\n- {mutant.before}\n+ {mutant.after}")
    print()
    for section in SECTIONS:
        print(f"{section}: {killed[section]} of {killed[section] + alive[section]} noticed")
    noticed, of = killed.total(), killed.total() + alive.total()
    low, high = binomtest(noticed, of).proportion_ci(0.95, "wilson")
    print(
        f"{noticed} of {of} noticed: {noticed / of:.1%} (95 % interval {low:.1%} to {high:.1%}, Wilson); "
        f"{len(proven)} proven equivalent left the count"
    )
    return 1 if wrong or noticed < ENOUGH * of else 0


def main() -> int:
    """Draw, test, tell."""
    how_many, seed = (int(word) for word in (*sys.argv[1:3], "300", "1")[: max(2, len(sys.argv[1:3]))])
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "tree"
        shutil.copytree(ROOT, folder, ignore=NOT_COPIED)
        session = Path(sys.argv[3]).resolve() if len(sys.argv) > 3 else Path(place) / "session.sqlite"
        os.chdir(folder)
        found, left_out = by_section()
        for section, specs in found.items():
            print(f"{section}: {len(specs)} mutants")
        for what, count in left_out.items():
            print(f"left out, {what}: {count}")
        sample = drawn(found, how_many, seed)
        print(f"{len(sample)} drawn with seed {seed}", flush=True)
        return told(sample, run(sample, folder, session))


if __name__ == "__main__":
    sys.exit(main())
