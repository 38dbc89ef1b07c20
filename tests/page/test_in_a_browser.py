"""The live page in a real browser: knobs, files, keyboard, phone, hostile names, tabs, a server that stops."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest

from kinematics.machine import load_machine
from tests.browsing import DESK, NEEDS_A_BROWSER, PHONE, SCHEMES, OpenedPage, chromium
from tests.page.conftest import BENCH, JOB, MACHINE, SAMPLES, SQUARE, estimated, running

__all__ = ["chromium"]  # the fixture
pytestmark = NEEDS_A_BROWSER
SAMPLE = str(SAMPLES / "test_cube.gcode")
UNREACHABLE = "ERR_CONNECTION_REFUSED"
NO_SETTINGS = ("job", "knob", "keep", "layer", "by", "shown")


@pytest.fixture(scope="module")
def sample() -> Iterator[str]:
    """The address of a page about a sample job."""
    with running(SAMPLE, "--machine", str(BENCH)) as (address, _):
        yield address


@pytest.fixture(scope="module")
def hostile(where: Path) -> Iterator[str]:
    """The address of a page about a hostile job on a machine of a hostile name."""
    with running(str(where / JOB), "--machine", str(where / "bench.toml")) as (address, _):
        yield address


class Opened(OpenedPage):
    """The live page, once everything is drawn."""

    def __init__(self, chromium: Any, address: str, width: int = DESK, scheme: str = "light") -> None:
        super().__init__(chromium, address, width, scheme)
        self.settled()

    def of(self, settings: str = "") -> str:
        """The question about the jobs of the address, with settings as an address holds them."""
        jobs = parse_qs(urlsplit(self.page.url).query).get("job", ["1"])
        return "&".join([*(f"job={number}" for number in jobs), *([settings] if settings else [])])

    def settled(self, settings: str | None = None) -> None:
        """Wait until everything is drawn for some settings; for those of the address where they are not told."""
        if settings is None:
            pairs = parse_qs(urlsplit(self.page.url).query)
            settings = urlencode({name: value[0] for name, value in pairs.items() if name not in NO_SETTINGS})
        self.page.wait_for_selector(f"#answers[data-of='{self.of(settings)}']", state="attached")

    def total(self, settings: str = "") -> float:
        """The total on the page (s), once it is that of some settings."""
        shown = self.page.wait_for_selector(f"#total[data-of='{self.of(settings)}']")
        return float(shown.get_attribute("data-seconds"))

    def close(self) -> None:
        """Nothing may have been said, and nobody else asked."""
        origin = "{0.scheme}://{0.netloc}/".format(urlsplit(self.address))
        assert [url for url in self.asked if not url.startswith(("data:", "blob:", origin))] == []
        assert self.said == []
        self.context.close()


def query_of(page: Any) -> dict[str, list[str]]:
    """What the address bar holds."""
    return parse_qs(urlsplit(page.url).query)


def test_a_knob_turned_by_keyboard_shows_what_estimate_says(chromium: Any, sample: str) -> None:
    opened = Opened(chromium, sample)
    page = opened.page
    assert opened.total() == estimated(SAMPLE, str(BENCH))["total_s"]
    page.get_by_label("print acceleration", exact=True).focus()
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    page.wait_for_url(re.compile("acceleration=1600"))
    setting = query_of(page)["acceleration"][0]
    assert (
        opened.total(f"acceleration={setting}") == estimated(SAMPLE, str(BENCH), f"acceleration={setting}")["total_s"]
    )
    assert page.get_by_label("print acceleration", exact=True).get_attribute("aria-valuetext") == "1,600 mm/s²"
    page.get_by_label("print speed in the file, exact").fill("1.37")
    page.wait_for_url(re.compile("speed=1.37"))
    both = estimated(SAMPLE, str(BENCH), f"acceleration={setting}", "speed=1.37")["total_s"]
    query = f"acceleration={setting}&speed=1.37"
    assert opened.total(query) == both
    opened.settled(query)
    page.reload()
    opened.settled(query)
    assert opened.total(query) == both
    assert page.get_by_label("print acceleration, exact (mm/s²)").input_value() == "1600"
    page.get_by_role("button", name="Back to as it is").click()
    page.wait_for_selector("#total-label:text('as it is')")
    assert opened.total() == estimated(SAMPLE, str(BENCH))["total_s"]
    assert query_of(page).keys() == {"job", "knob"}
    opened.close()


def test_a_knob_that_is_dragged_shows_what_estimate_says(chromium: Any, sample: str) -> None:
    opened = Opened(chromium, sample)
    page = opened.page
    slider = page.get_by_label("print speed in the file", exact=True)
    box = slider.bounding_box()
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + 0.5 * box["width"], middle)
    page.mouse.down()
    for step in range(20):
        page.mouse.move(box["x"] + (0.5 + 0.02 * step) * box["width"], middle)
    page.mouse.up()
    page.wait_for_url(re.compile("speed="))
    setting = query_of(page)["speed"][0]
    assert float(setting) > 1.5
    assert opened.total(f"speed={setting}") == estimated(SAMPLE, str(BENCH), f"speed={setting}")["total_s"]
    opened.close()


def test_a_filter_its_caps_and_what_holds_follow(chromium: Any, sample: str) -> None:
    opened = Opened(chromium, sample)
    page = opened.page
    page.get_by_text("Vibration filters").click()
    page.get_by_label("X filter", exact=True).select_option("ZVDD")
    page.wait_for_url(re.compile("vibration.x.filter=ZVDD"))
    query = "vibration.x.filter=ZVDD"
    assert opened.total(query) == estimated(SAMPLE, str(BENCH), query)["total_s"]
    page.get_by_label("print acceleration, exact (mm/s²)").fill("9000")
    state = page.locator(".state[data-state=past]").first
    state.wait_for()
    assert state.inner_text().startswith("Past its cap: ")
    page.get_by_role("button", name="turn motor y acceleration too").click()
    assert page.evaluate("document.activeElement.getAttribute('aria-label') ?? document.activeElement.id") == (
        "knob-motors.y.max_acceleration_mm_s2"
    )
    page.keyboard.press("End")
    page.wait_for_url(re.compile("motors.y.max_acceleration_mm_s2="))
    settings = {name: value[0] for name, value in query_of(page).items() if name not in NO_SETTINGS}
    told = estimated(SAMPLE, str(BENCH), *(f"{name}={value}" for name, value in settings.items()))
    assert opened.total(urlencode(settings)) == told["total_s"]
    opened.close()


def test_what_is_kept_stands_in_a_table_and_in_the_address(chromium: Any, sample: str) -> None:
    opened = Opened(chromium, sample)
    page = opened.page
    page.get_by_label("print speed in the file, exact").fill("2")
    page.get_by_role("button", name="Keep this setting").click()
    row = page.locator("#kept tr").nth(1)
    row.wait_for()
    words = row.inner_text()
    assert "print speed in the file 2×" in words
    page.get_by_role("button", name="Back to as it is").click()
    page.reload()
    opened.settled()
    page.locator("#kept tr").nth(1).wait_for()
    page.get_by_role("button", name="set print speed in the file 2× again").click()
    page.wait_for_url(re.compile("[?&]speed=2"))
    assert opened.total("speed=2") == estimated(SAMPLE, str(BENCH), "speed=2")["total_s"]
    page.get_by_role("button", name="remove print speed in the file 2×").click()
    page.wait_for_selector("#kept-none:not([hidden])")
    opened.close()


def test_machine_file_report_and_json_are_taken_along(chromium: Any, sample: str, tmp_path: Path) -> None:
    opened = Opened(chromium, f"{sample}?acceleration=2500")
    page = opened.page
    for button, name in (("Machine file with this setting", "machine.toml"), ("JSON", "estimate.json")):
        with page.expect_download() as waiting:
            page.get_by_role("button", name=button).click()
        waiting.value.save_as(tmp_path / name)
        assert waiting.value.suggested_filename == name
    assert load_machine(tmp_path / "machine.toml").motion.print_acceleration_mm_s2 == 2500.0
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Report for whoever pays").click()
    waiting.value.save_as(tmp_path / "report.html")
    assert "this setting" in (tmp_path / "report.html").read_text()
    page.wait_for_selector("#taking:text('report.html is in your downloads')")
    opened.close()


def dropped(page: Any, name: str, content: str) -> None:
    """Let a file go over the page, as a hand would."""
    page.evaluate(
        """([name, content]) => {
          const carried = new DataTransfer();
          carried.items.add(new File([content], name));
          for (const kind of ["dragenter", "dragover", "drop"]) {
            const event = new DragEvent(kind, { dataTransfer: carried, bubbles: true, cancelable: true });
            document.body.dispatchEvent(event);
          }
        }""",
        [name, content],
    )


def test_a_file_that_is_dropped_is_timed(chromium: Any, sample: str, tmp_path: Path) -> None:
    job = tmp_path / "squares.gcode"
    job.write_text(SQUARE)
    opened = Opened(chromium, f"{sample}?acceleration=2000")
    page = opened.page
    dropped(page, job.name, SQUARE)
    page.wait_for_selector("h1:text('squares.gcode on Bench A')")
    opened.settled()
    assert opened.total("acceleration=2000") == estimated(str(job), str(BENCH), "acceleration=2000")["total_s"]
    assert query_of(page)["job"] == [page.locator("#jobs input:checked").input_value()]
    page.locator("#jobs input").first.check()
    page.wait_for_selector("h1:text('test_cube.gcode and 1 more on Bench A')")
    both = [estimated(one, str(BENCH), "acceleration=2000")["total_s"] for one in (SAMPLE, str(job))]
    opened.settled()
    assert opened.total("acceleration=2000") == pytest.approx(sum(both))
    page.get_by_label("job", exact=True).select_option("squares.gcode")
    page.wait_for_selector("#layers:text('of 10')")
    opened.said.clear()  # the browser tells of an answer of 422 by itself
    dropped(page, "notes.txt", "nothing moves here\n")
    page.wait_for_selector("#reading:text('notes.txt cannot be timed')")
    assert all("422" in told for told in opened.said)
    opened.said.clear()
    opened.close()


def test_the_page_begins_with_a_file(chromium: Any) -> None:
    with running("--machine", "middling") as (address, _):
        opened = object.__new__(Opened)
        opened.settled = lambda: None  # type: ignore[method-assign]  # there is nothing to draw yet
        opened.__init__(chromium, address)  # type: ignore[misc]
        page = opened.page
        page.wait_for_selector("text=Drop a G-code file anywhere on this page")
        page.wait_for_selector("#empty")
        assert not page.locator("#answers").is_visible()
        page.set_input_files("#file", files=[{"name": "a.gcode", "mimeType": "", "buffer": SQUARE.encode()}])
        page.wait_for_selector("h1:text('a.gcode on Middling')")
        Opened.settled(opened)
        assert opened.total() > 0.0
        page.get_by_text("Vibration filters").click()
        page.get_by_label("X filter", exact=True).select_option("ZV")
        page.wait_for_url(re.compile("vibration.x.filter_frequency_hz=40"))  # of this axis no mode is known
        assert opened.total("vibration.x.filter=ZV&vibration.x.filter_frequency_hz=40") > 0.0
        opened.close()


def test_by_keyboard_alone(chromium: Any, sample: str) -> None:
    opened = Opened(chromium, sample)
    page = opened.page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the knobs"
    page.keyboard.press("Enter")
    seen = []
    for _ in range(60):
        page.keyboard.press("Tab")
        told = page.evaluate("[document.activeElement.id, document.activeElement.tagName, document.activeElement.name]")
        seen.append(told[0] or told[2] or told[1])
        if told[0] == "layer":
            break
    for name in ("knob-acceleration", "knob-speed", "knob-corner", "knob-flow", "against", "layer"):
        assert name in seen
    before = int(page.get_attribute("#path", "data-layer"))
    page.keyboard.press("ArrowRight")
    page.wait_for_url(re.compile(f"layer={before + 1}"))
    page.wait_for_selector(f"#path[data-layer='{before + 1}']")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("ArrowRight")
    page.wait_for_url(re.compile("by=speed"))
    page.wait_for_selector("#path-finding:text('Half of the time')")
    page.get_by_text("Other limits").focus()
    page.keyboard.press("Enter")
    page.get_by_label("turn another limit").select_option("cooling.shortest_layer_s")
    page.keyboard.press("ArrowLeft")
    page.wait_for_url(re.compile("cooling.shortest_layer_s="))
    opened.close()


@pytest.mark.parametrize("width", [PHONE, 800, 1400])
@SCHEMES
def test_it_fits_and_shows_hostile_names_as_they_are(chromium: Any, hostile: str, width: int, scheme: str) -> None:
    opened = Opened(
        chromium, f"{hostile}?acceleration=3000&speed=1.5&keep=speed%3D2&vibration.x.filter=EI", width, scheme
    )
    page = opened.page
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert over == 0
    assert page.locator("h1").inner_text() == page.title() == f"{JOB} on {MACHINE}"
    assert page.locator("#jobs span").first.inner_text() == JOB
    assert "</script>" in page.locator("#notes").inner_text()
    assert page.locator("#laid-over button").inner_text() == "<u>brisk</u>"
    assert page.evaluate("document.querySelectorAll('script').length") == 2
    paper = page.evaluate("getComputedStyle(document.querySelector('.frame')).backgroundColor")
    assert paper == ("rgb(251, 250, 245)" if scheme == "light" else "rgb(20, 25, 30)")
    assert page.evaluate("document.getElementById('path').naturalWidth") > 500
    opened.close()


@SCHEMES
@pytest.mark.parametrize("width", [PHONE, DESK])
def test_no_serious_fault_of_accessibility(chromium: Any, hostile: str, width: int, scheme: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    opened = Opened(chromium, f"{hostile}?acceleration=9000&keep=speed%3D2", width, scheme)
    opened.page.wait_for_selector(".state[data-state=past]")
    opened.page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    found = axe.Axe().run(opened.page).response["violations"]
    grave = [(one["id"], one["nodes"][0]["html"][:120]) for one in found if one["impact"] in ("serious", "critical")]
    assert grave == []
    opened.close()


def test_a_label_with_a_link_in_it_is_no_link(chromium: Any, tmp_path: Path) -> None:
    label = "<a href='http://bikes.example'>x</a>"
    machine = tmp_path / "labels.toml"
    machine.write_text(f'{BENCH.read_text()}\n[motion.by_label."{label}"]\nspeed_cap_mm_s = 90\n')
    with running(SAMPLE, "--machine", str(machine)) as (address, _):
        opened = Opened(chromium, address)
        page = opened.page
        page.get_by_text("Other limits").click()
        page.get_by_label("turn another limit").select_option(f'motion.by_label."{label}".speed_cap_mm_s')
        page.wait_for_selector("#curve .xtitle:text('bikes.example')")
        assert page.locator("#curve a").count() == 0
        assert page.evaluate("document.querySelectorAll('a').length") == 1
        opened.close()


def test_a_knob_that_there_is_not_is_passed_over(chromium: Any, sample: str) -> None:
    opened = Opened(chromium, f"{sample}?knob=%3Cb%3E")
    assert opened.page.locator("#against").input_value() == "acceleration"
    opened.close()


def test_two_tabs_hold_settings_of_their_own(chromium: Any, sample: str) -> None:
    one, other = Opened(chromium, sample), Opened(chromium, sample)
    one.page.get_by_label("print acceleration, exact (mm/s²)").fill("3000")
    other.page.get_by_label("print speed in the file, exact").fill("1.5")
    one.page.wait_for_selector("#total-label:text('with this setting')")
    other.page.wait_for_selector("#total-label:text('with this setting')")
    assert one.total("acceleration=3000") == estimated(SAMPLE, str(BENCH), "acceleration=3000")["total_s"]
    assert other.total("speed=1.5") == estimated(SAMPLE, str(BENCH), "speed=1.5")["total_s"]
    one.close()
    other.close()


def test_a_server_that_has_stopped_is_told_in_a_sentence(chromium: Any) -> None:
    with running(SAMPLE, "--machine", str(BENCH)) as (address, process):
        opened = Opened(chromium, address)
        page = opened.page
        process.terminate()
        process.wait()
        page.get_by_label("print acceleration, exact (mm/s²)").fill("3000")
        page.wait_for_selector("#gone:not([hidden])")
        told = page.locator("#gone").inner_text()
        assert told.startswith("The program behind this page no longer answers. Start it again with kinematics explore")
        assert "test_cube.gcode" in told
        assert str(SAMPLES) not in told
        assert query_of(page)["acceleration"] == ["3000"]
        opened.said[:] = [text for text in opened.said if UNREACHABLE not in text]
        opened.close()


def test_a_setting_that_the_machine_does_not_take_is_told(chromium: Any, sample: str) -> None:
    opened = Opened(chromium, sample)
    page = opened.page
    page.goto(f"{sample}?motion.junction_deviation_mm=0.02&acelleration=5")
    page.wait_for_selector("#refused:not([hidden])")
    assert "did you mean 'acceleration'?" in page.locator("#refused").inner_text()
    page.get_by_role("button", name="Back to as it is").click()
    page.wait_for_selector("#refused", state="hidden")
    assert opened.total() == estimated(SAMPLE, str(BENCH))["total_s"]
    opened.said[:] = [text for text in opened.said if "422" not in text]
    opened.close()
