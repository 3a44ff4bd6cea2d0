"""The page in a real browser, held against general tools: Chromium, axe-core's rules, a PDF's own text.

Needs selenium (in the test extra), Chromium and its driver (Debian: chromium, chromium-driver); the
accessibility rules need axe-core (``npm install --no-save axe-core``, or its ``axe.min.js`` named by
``AXE_CORE``), the paper tests pdftotext (Debian: poppler-utils). What is missing is skipped, and said.
"""

from __future__ import annotations

import base64
import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pathgen.job import make, make_several
from pathgen.proof.safety import SafetyItem
from pathgen.report import page, page_safety
from pathgen.settings import Job

webdriver = pytest.importorskip("selenium.webdriver", reason="no selenium: pip install selenium")
keys = pytest.importorskip("selenium.webdriver.common.keys").Keys

ROOT = Path(__file__).parents[2]
BROWSER = shutil.which("chromium") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
AXE = Path(os.environ.get("AXE_CORE") or ROOT / "node_modules" / "axe-core" / "axe.min.js")
# WCAG 2.2, levels A and AA, in the tags of axe-core, and its own best practices.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa", "best-practice"]
CHECKS = page_safety.ChecksBeforeRunning(
    [
        SafetyItem("temperatures within the limits", "passed"),
        SafetyItem("no filament fed while the nozzle is cold", "failed"),
        SafetyItem("a working smoke alarm in the room", "to tick"),
    ],
    [],
    "1 error found; the program must not run",
    ["Error 205, line 9: filament fed before the nozzle reached its temperature"],
)

pytestmark = pytest.mark.skipif(not (BROWSER and DRIVER), reason="no browser: chromium and chromium-driver")


def rendered(result, program):
    """The page with a checklist of its own, which has items in every state."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(page, "list_checks", lambda *_: CHECKS)
        return page.render_page(result, program)


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    """The page of a small panel on wedges, as a file on the disk."""
    folder = tmp_path_factory.mktemp("browser")
    u, z = np.meshgrid(np.linspace(0, 1, 120), np.linspace(0, 1, 90))
    grey = 127 + 127 * np.sin(9 * u) * np.cos(5 * z)
    Image.fromarray(grey.astype(np.uint8)).save(folder / "swell.png")
    job = Job(width=28.0, layer=0.2, pixel=0.2, brim=4.0, wedges=2, wedge_height=14.0, wedge_base=5.0)
    result = make(folder / "swell.png", folder / "swell.gcode", job)
    path = folder / "swell.html"
    path.write_bytes(rendered(result, folder / "swell.gcode"))
    return path


@pytest.fixture(scope="module")
def several(tmp_path_factory):
    """The page of two panels that differ, the second of them twice, as a file on the disk."""
    folder = tmp_path_factory.mktemp("several")
    wave = 1.8 + np.sin(np.linspace(0, 9, 100)) * np.linspace(0.2, 0.9, 50)[:, None]
    job = {"machine": "moving-gantry", "layer": 0.2, "pixel": 0.2, "brim": 3.0}
    panels = [(wave, Job(**job)), (wave[:30, ::-2], Job(copies=2, rim_width=2.0, **job))]
    path = folder / "several.html"
    path.write_bytes(rendered(make_several(panels, folder / "a.gcode"), folder / "a.gcode"))
    return path


@pytest.fixture(scope="module")
def chromium():
    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    service = webdriver.chrome.service.Service(DRIVER)
    driver = webdriver.Chrome(options=options, service=service)
    yield driver
    driver.quit()


@pytest.fixture
def opened(chromium, file):
    sized(chromium, 1200)
    chromium.get(file.as_uri())
    return chromium


@pytest.fixture
def both(chromium, several):
    sized(chromium, 1200)
    chromium.get(several.as_uri())
    return chromium


def sized(driver, width):
    metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def by(driver, name):
    return driver.find_element("id", name)


def ink(driver, name):
    """Give what a canvas shows, as text to compare."""
    return driver.execute_script(f"return document.getElementById('{name}').toDataURL()")


def test_it_opens_without_a_word_and_asks_for_nothing(opened, file):
    assert opened.title.startswith("swell.png")
    assert [entry for entry in opened.get_log("browser")] == []
    events = [json.loads(entry["message"])["message"] for entry in opened.get_log("performance")]
    asked = {e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"}
    assert file.as_uri() in asked
    assert {url for url in asked if not url.startswith("data:")} == {file.as_uri()}


def test_the_policy_stops_what_would_leave_the_file(opened):
    blocked = opened.execute_async_script(
        "const done = arguments[0];"
        "const told = (event) => done(event.effectiveDirective);"
        "document.addEventListener('securitypolicyviolation', told, {once: true});"
        "const image = new Image(); image.src = 'http://127.0.0.1:9/pixel.png';"
        "setTimeout(() => done('nothing'), 3000);"
    )
    assert blocked == "img-src"
    opened.get_log("browser")


def test_the_slider_goes_through_the_layers_by_keyboard(opened):
    slider, said = by(opened, "layer-1"), by(opened, "words-1")
    last = int(slider.get_attribute("max"))
    heights, drawn = {}, {}
    for key, wanted in (
        (keys.HOME, 0),
        (keys.ARROW_RIGHT, 1),
        (keys.ARROW_UP, 2),
        (keys.ARROW_LEFT, 1),
        (keys.END, last),
    ):
        slider.send_keys(key)
        assert int(slider.get_attribute("value")) == wanted
        heights.setdefault(wanted, float(re.search(r"top at ([\d.]+) mm", said.text)[1]))
        drawn.setdefault(wanted, ink(opened, "whole-1"))
        assert slider.get_attribute("aria-valuetext") == said.text.split(":")[0]
        assert said.text in by(opened, "whole-1").get_attribute("aria-label")
    assert heights[0] < heights[1] < heights[2] < heights[last]
    assert len(set(drawn.values())) == 4  # each layer is drawn, and differs
    by(opened, "lower-1").send_keys(keys.ENTER)
    assert int(slider.get_attribute("value")) == last - 1


def test_the_window_follows_along_the_wall(opened):
    along = by(opened, "along-1")
    along.send_keys(keys.HOME)
    first = ink(opened, "piece-1"), by(opened, "piece-1").get_attribute("aria-label")
    along.send_keys(keys.END)
    assert ink(opened, "piece-1") != first[0]
    assert by(opened, "piece-1").get_attribute("aria-label") != first[1]


def test_a_tap_on_the_layer_moves_the_window(opened):
    by(opened, "along-1").send_keys(keys.HOME)
    whole = by(opened, "whole-1")
    opened.execute_script("arguments[0].scrollIntoView({block: 'center'})", whole)
    whole.click()  # in its middle
    assert float(by(opened, "along-1").get_attribute("value")) == pytest.approx(0.5, abs=0.02)


def test_the_pictures_change_places_by_keyboard(opened):
    swap, shown = by(opened, "swap-1"), by(opened, "state-1")
    predicted, wanted = by(opened, "predicted-1"), by(opened, "target-1")
    place = predicted.rect  # on the page, wherever it is scrolled to
    assert predicted.is_displayed() and not wanted.is_displayed() and shown.text == "predicted"
    for key, text in ((keys.SPACE, "target"), (keys.ENTER, "predicted"), (keys.SPACE, "target")):
        swap.send_keys(key)
        assert shown.text == text
        assert (wanted.is_displayed(), predicted.is_displayed()) == (text == "target", text == "predicted")
    assert wanted.rect == pytest.approx(place)


def test_each_panel_has_levers_of_its_own(both):
    assert both.get_log("browser") == []
    before = {name: ink(both, name) for name in ("whole-1", "piece-1", "whole-2", "piece-2")}
    assert len(set(before.values())) == 4
    by(both, "layer-2").send_keys(keys.HOME)
    by(both, "along-2").send_keys(keys.END)
    by(both, "swap-2").send_keys(keys.ENTER)
    now = {name: ink(both, name) for name in before}
    assert [now[name] == before[name] for name in before] == [True, True, False, False]
    assert (by(both, "state-1").text, by(both, "state-2").text) == ("predicted", "target")
    assert by(both, "predicted-1").is_displayed() and by(both, "target-2").is_displayed()
    assert by(both, "words-2").text.startswith("Layer 1 of ")
    assert by(both, "layer-2").accessible_name == "Panels 2 and 3: Layer"


@pytest.mark.parametrize("which", ["opened", "both"])
@pytest.mark.parametrize("width", [320, 390, 1200])
def test_nothing_is_wider_than_the_screen(request, which, width):
    # WCAG 2.2, 1.4.10 (reflow): no scrolling both ways down to 320 CSS pixels.
    opened = request.getfixturevalue(which)
    sized(opened, width)
    wide = opened.execute_script("return document.documentElement.scrollWidth")
    assert wide <= width
    small = opened.execute_script(
        "return [...document.querySelectorAll('button, input')].filter((e) => e.offsetParent)"
        ".map((e) => e.getBoundingClientRect()).filter((b) => Math.min(b.width, b.height) < 20).length"
    )
    assert small == 0


def test_without_a_script_some_layers_are_shown(chromium, file):
    chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        chromium.get(file.as_uri())
        assert all(each.is_displayed() for each in chromium.find_elements("css selector", "svg.layer"))
        assert not by(chromium, "layer-1").is_displayed()
        assert by(chromium, "predicted-1").is_displayed()
    finally:
        chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


@pytest.mark.skipif(not AXE.is_file(), reason="no axe-core: npm install --no-save axe-core")
@pytest.mark.parametrize("which", ["opened", "both"])
@pytest.mark.parametrize("width", [390, 1200])
def test_no_rule_of_accessibility_is_broken(request, which, width):
    opened = request.getfixturevalue(which)
    sized(opened, width)
    opened.execute_script("for (const each of document.querySelectorAll('details')) each.open = true")
    opened.execute_script(AXE.read_text(encoding="utf-8"))
    found = opened.execute_async_script(
        "const done = arguments[1];"
        "const told = (r) => done({broken: r.violations, passed: r.passes.length});"
        "axe.run(document, {runOnly: arguments[0]}).then(told);",
        RULES,
    )
    broken = [(v["id"], v["help"], [n["html"][:120] for n in v["nodes"]]) for v in found["broken"]]
    assert broken == [] and found["passed"] > 20


@pytest.fixture
def paper(opened, tmp_path):
    """Text of the printed pages."""
    return printed(opened, tmp_path)


def printed(opened, tmp_path):
    """Give the text of each sheet that a page is printed on."""
    tool = shutil.which("pdftotext")
    if tool is None:
        pytest.skip("no pdftotext: poppler-utils")
    made = opened.execute_cdp_cmd("Page.printToPDF", {"printBackground": True, "preferCSSPageSize": True})
    path = tmp_path / "page.pdf"
    path.write_bytes(base64.b64decode(made["data"]))
    done = subprocess.run([tool, "-layout", path, "-"], capture_output=True, text=True, check=True)
    return done.stdout.rstrip("\f").split("\f")


def test_on_paper_it_breaks_where_parts_end(paper):
    starts = ("Layer by layer", "Time", "Before the run", "Settings")
    heads = (*starts, "Predicted picture", "Stability during the print", "After the print")
    lines = [[line.strip() for line in sheet.splitlines() if line.strip()] for sheet in paper]
    assert 4 <= len(lines) <= 8
    assert set(starts) <= {sheet[0] for sheet in lines}
    for number, sheet in enumerate(lines, start=1):
        assert len(sheet) > 3, f"sheet {number} is all but empty"
        assert sheet[-1] not in (*heads, "By kind of move")


def test_paper_has_no_levers_but_all_settings(paper):
    text = "\n".join(paper)
    for gone in ("Position", "Show the target picture", "Skip to content", "Contents"):
        assert gone not in text
    assert "first layer" in text and "wedge height" in text  # the settings, told in full
    assert text.count("Layer 1 of ") == 1 and len(re.findall(r"^\s*Layer \d+ of ", text, re.M)) == 3


def test_on_paper_each_panel_has_two_sheets(both, tmp_path):
    sheets = printed(both, tmp_path)
    heads = [next(line.strip() for line in sheet.splitlines() if line.strip()) for sheet in sheets]
    panels = ["Panel 1: array", "Layer by layer", "Panels 2 and 3: array", "Layer by layer"]
    assert heads[1:] == [*panels, "Time", "Before the run", "Settings"]
    assert all("Stability during" in sheets[at] for at in (1, 3))
