"""Records of many kinds are read alike, and every bad one gets its sentence."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.vibration.recording import STANDARD_GRAVITY, Told, read_recording, swapped_notice

RATE = 1000.0
COUNT = 30_000


def shaken(seed: int = 1, count: int = COUNT, rate: float = RATE) -> np.ndarray:
    """Times (s) and accelerations of x, y and z (mm/s²), x the liveliest."""
    dice = np.random.default_rng(seed)
    time = np.arange(count) / rate
    x = 3000.0 * np.sin(2.0 * np.pi * 45.0 * time) + dice.normal(0.0, 200.0, count)
    return np.stack(
        [time, x, dice.normal(0.0, 300.0, count), STANDARD_GRAVITY + dice.normal(0.0, 100.0, count)], axis=1
    )


def written(folder: Path, table: np.ndarray, head: str = "", separator: str = ",", name: str = "shake.txt") -> Path:
    """A file of a table."""
    path = folder / name
    lines = [separator.join(f"{number:.9g}" for number in row) for row in table.tolist()]
    path.write_text("\n".join([*([head] if head else []), *lines]) + "\n", encoding="utf-8")
    return path


def said(path: Path, axis: str = "x", told: Told | None = None) -> str:
    """The sentence with which a record is refused."""
    with pytest.raises(InputError) as failure:
        read_recording(path, axis, told or Told())
    return str(failure.value).replace(str(path), "FILE")


def remarks(path: Path, axis: str = "x") -> str:
    """What is doubtful of a record."""
    return "; ".join(notice.text for notice in read_recording(path, axis).notices)


@pytest.mark.parametrize("separator", [",", ";", "\t", "  "])
@pytest.mark.parametrize(
    "head", ["", "time,x,y,z", "# a remark\n% another\n\nt (s),acc x (mm/s2),acc y (mm/s2),acc z (mm/s2)"]
)
def test_any_separator_and_head(tmp_path: Path, separator: str, head: str) -> None:
    """Commas, semicolons, tabs and blanks, with a head or without, among comments: the same numbers."""
    table = shaken(count=3000)
    if not separator.strip() and "(" in head:
        head = "time x y z"  # between blanks a name is one word
    path = written(tmp_path, table, head.replace(",", separator), separator)
    found = read_recording(path, "x", Told(acceleration_unit="mm/s2"))
    np.testing.assert_allclose(found.times, table[:, 0], atol=1e-9)
    for axis, column in zip("xyz", table.T[1:], strict=True):
        np.testing.assert_allclose(found.accelerations[axis], column, rtol=1e-8)


def test_numbers_with_a_comma(tmp_path: Path) -> None:
    """`0,001;3,5` is what spreadsheets of half of Europe write."""
    table = shaken(count=3000)
    path = tmp_path / "shake.csv"
    rows = (";".join(f"{number:.6f}".replace(".", ",") for number in row) for row in table.tolist())
    path.write_text("Zeit;x;y;z\n" + "\n".join(rows), encoding="utf-8")
    np.testing.assert_allclose(read_recording(path, "x").shaken, table[:, 1], rtol=1e-5, atol=1e-3)


@pytest.mark.parametrize(("unit", "scale"), [("s", 1.0), ("ms", 1e3), ("us", 1e6)])
@pytest.mark.parametrize("by", ["head", "option", "size"])
def test_units_of_time(tmp_path: Path, unit: str, scale: float, by: str) -> None:
    """Seconds, milliseconds and microseconds, by the head, as told, or by their size."""
    table = shaken(count=3000, rate=1250.0)
    table[:, 0] *= scale
    path = written(tmp_path, table, f"time ({unit}),x,y,z" if by == "head" else "")
    found = read_recording(path, "x", Told(time_unit=unit if by == "option" else None))
    assert found.sampling.rate == pytest.approx(1250.0, rel=1e-6)


@pytest.mark.parametrize(("unit", "scale"), [("g", 1.0 / STANDARD_GRAVITY), ("m/s2", 1e-3), ("mm/s2", 1.0)])
@pytest.mark.parametrize("by", ["head", "option", "gravity"])
def test_units_of_acceleration(tmp_path: Path, unit: str, scale: float, by: str) -> None:
    """g, m/s² and mm/s², by the head, as told, or by how heavy the sensor is at rest."""
    table = shaken(count=3000)
    expected = table[:, 1].copy()
    table[:, 1:] *= scale
    path = written(tmp_path, table, f"time,x ({unit}),y ({unit}),z ({unit})" if by == "head" else "")
    found = read_recording(path, "x", Told(acceleration_unit=unit if by == "option" else None))
    np.testing.assert_allclose(found.shaken, expected, rtol=1e-6, atol=1e-3)


def test_samples_counted(tmp_path: Path) -> None:
    """A count of samples wants to know how many a second there are, and is asked."""
    table = shaken(count=4000)
    table[:, 0] = np.arange(4000)
    path = written(tmp_path, table)
    assert said(path) == (
        "FILE: the times count 1, 2, 3: samples, or milliseconds?; allowed: --rate-hz RATE for samples, --time-unit ms "
        "for milliseconds"
    )
    assert read_recording(path, "x", Told(rate=800.0)).sampling.rate == pytest.approx(800.0)


def test_columns_by_name_and_number(tmp_path: Path) -> None:
    """A column is found by its name or its number; one that there is not names those there are."""
    table = shaken(count=3000)
    path = written(tmp_path, table[:, [1, 0, 2]], "carriage,clock,bed")
    found = read_recording(path, "x", Told(time_column="clock", columns={"x": "carriage"}))
    np.testing.assert_allclose(found.shaken, 1000.0 * table[:, 1], rtol=1e-6)
    assert read_recording(path, "x", Told(time_column="2", columns={"x": "1"})).times[1] == pytest.approx(0.001)
    assert "allowed: 1 to 3, or carriage, clock, bed (did you mean 'clock'?)" in said(
        path, told=Told(time_column="clok")
    )
    assert "cannot tell which column is the acceleration of y" in said(written(tmp_path, table[:, :2], "time,x"), "y")


def test_lost_and_uneven_samples(tmp_path: Path) -> None:
    """Lost samples are counted, uneven times told."""
    table = shaken()
    dice = np.random.default_rng(3)
    table[:, 0] += dice.normal(0.0, 0.05 / RATE, COUNT)
    kept = np.ones(COUNT, bool)
    kept[[100, 2000, 2001, 7000]] = False
    path = written(tmp_path, table[kept])
    found = read_recording(path, "x")
    assert found.sampling.lost == 4
    assert "samples were lost, and filled in" in remarks(path)
    assert "times stray by 7% of a step from even ones; resampled at 1000 Hz" in remarks(path)


def test_clipping(tmp_path: Path) -> None:
    """A little of it is a remark, much of it is refused."""
    table = shaken()
    table[:, 1] = np.clip(table[:, 1], -3300.0, 3300.0)
    assert "stand at the end of the sensor's scale: damping comes out too high" in remarks(written(tmp_path, table))
    table[:, 1] = np.clip(table[:, 1], -2500.0, 2500.0)
    assert (
        "of the samples of x stand at the end of the sensor's scale; allowed: a wider range of the sensor, or a "
        in said(written(tmp_path, table))
    )


def test_too_short_and_too_slow(tmp_path: Path) -> None:
    """Less than two seconds, or a hundred samples a second, is refused; little more is a remark."""
    assert said(written(tmp_path, shaken(count=900))) == (
        "FILE: only 0.9 s of record; allowed: 2 s at least; 30 s tell modes well"
    )
    assert "only 5 s of record: intervals are wide" in remarks(written(tmp_path, shaken(count=5001)))
    slow = shaken(count=3000, rate=60.0)
    assert "60 samples a second show nothing above 24 Hz" in said(written(tmp_path, slow))
    assert "modes above 80 Hz cannot be seen" in remarks(written(tmp_path, shaken(count=6000, rate=200.0)))


def test_dead_and_swapped_axes(tmp_path: Path) -> None:
    """A dead axis is refused where it was to be shaken; one that moves more than the shaken one is pointed out."""
    table = shaken()
    table[:, 1] = 12.0
    assert "nothing moves in the column of x: a dead axis, or another column" in said(written(tmp_path, table))
    assert "nothing moves in the column of x: that axis of the sensor is dead" in remarks(written(tmp_path, table), "y")
    path = written(tmp_path, shaken())
    assert "y was shaken, but x moves 7.1 times as much: are the axes swapped?" in remarks(path, "y")
    one = read_recording(path, "y")
    other = read_recording(written(tmp_path, shaken()[:, [0, 2, 1, 3]], name="other.txt"), "x")
    notice = swapped_notice([one, other])
    assert notice is not None
    assert "files or columns of the two axes are swapped" in notice.text
    assert swapped_notice([read_recording(path, "x")]) is None


def test_what_is_no_record(tmp_path: Path) -> None:
    """Nothing, prose, bytes, lines of unlike length, times that go back."""
    path = tmp_path / "shake.txt"
    path.write_text("", encoding="utf-8")
    assert "nothing in it" in said(path)
    path.write_text("dear diary\ntoday we shook x\n", encoding="utf-8")
    assert "no lines of numbers" in said(path)
    path.write_bytes(b"\0\1\2\3" * 100)
    assert "is no text" in said(path)
    assert "no such file" in said(tmp_path / "shak.txt")
    table = shaken()
    table[::3, 0] = 0.0
    assert "times do not come after the one before" in said(written(tmp_path, table))
    good = written(tmp_path, shaken()).read_text(encoding="utf-8").splitlines()
    good[100], good[200] = "0.1,12", "power cut"
    path.write_text("\n".join(good), encoding="utf-8")
    assert "lines hold no numbers and were left out" in remarks(path)
    path.write_text("\n".join(good[:3] * 400 + ["oops"] * 300), encoding="utf-8")
    assert "lines hold no 4 numbers" in said(path)
