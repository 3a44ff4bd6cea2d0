"""The page: what it shows comes from the program's text, and the file stands by itself."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pathgen.cli import run
from pathgen.errors import PathgenError
from pathgen.job import make, make_several
from pathgen.motion import Kind
from pathgen.picture import encode_srgb
from pathgen.proof.panel_replay import Effects, replay
from pathgen.proof.program_panel import Stated
from pathgen.proof.safety import SafetyItem
from pathgen.report import page, page_panels, page_safety
from pathgen.report.page_charts import Chart, ChartAxis, choose_ticks
from pathgen.report.page_data import compare_with_plan, draw_images, measure_rates, read_for_page
from pathgen.report.page_layers import BRIM, DRY, FIRST, SUPPORT, draw_layer_svg, encode_layers, pack_layers
from pathgen.report.replay_figures import round_up
from pathgen.settings import Job

NAME = 'quay <b>&"1".png'
QUICK = {"layer": 0.2, "pixel": 0.2, "brim": 2.0}
CHECKS = page_safety.ChecksBeforeRunning(
    [
        SafetyItem("every temperature is within its <limits>", "passed"),
        SafetyItem("a smoke alarm & a switch", "to tick"),
    ],
    [],
    "No errors found",
    [],
)


def rendered(result, program):
    """The page with a checklist of its own, so that the program is not checked."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(page, "list_checks", lambda *_: CHECKS)
        return page.render_page(result, program)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("page")


@pytest.fixture(scope="module")
def picture(folder):
    """A picture that is dark on the viewer's left and light on his right, with a bar across the top."""
    grey = np.tile(np.linspace(0, 255, 80), (60, 1))
    grey[8:14] = 128
    path = folder / NAME
    Image.fromarray(grey.astype(np.uint8)).save(path)
    return path


@pytest.fixture(scope="module")
def made(folder, picture):
    """A panel of 26 × 20 mm with wedges, its program, and its page."""
    program = folder / "quay.gcode"
    job = Job(width=26.0, wedges=2, wedge_height=12.0, wedge_base=5.0, **QUICK)
    result = make(picture, program, job)
    return result, program, rendered(result, program)


@pytest.fixture(scope="module")
def compared(made):
    """The panel as it is replayed from its program."""
    result, program, _ = made
    return compare_with_plan(result.planned, read_for_page(result.platform.setup, program))


@pytest.fixture(scope="module")
def shaped(folder, picture):
    """Give the result and the page of a small panel with the given keys, made once for all tests."""

    @cache
    def shape(**keys):
        program = folder / "shape.gcode"
        result = make(picture, program, Job(width=22.0, **QUICK, **keys))
        return result, rendered(result, program)

    return shape


class Reader(HTMLParser):
    """Keeps elements with their attributes, and refuses ends that do not match."""

    EMPTY = {"meta", "img", "input", "br", "path", "rect", "use", "link"}

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.text = [], [], []
        self.feed(text)
        self.close()
        assert not self.open

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("script", "style"):
            self.text.append(data)

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]


def shown(made, name, number=1):
    """Decode one of a panel's two grey pictures."""
    address = next(a["src"] for a in Reader(made.decode()).all("img") if a.get("id") == f"{name}-{number}")
    with Image.open(BytesIO(base64.b64decode(address.partition(",")[2]))) as image:
        return np.asarray(image.convert("L")).astype(int)


def data_of(made, number=1):
    return json.loads(re.search(rf'id="data-{number}">(.*?)</script>', made.decode(), re.S)[1])


def test_the_same_program_gives_the_same_bytes(made):
    result, program, whole = made
    assert rendered(result, program) == whole


def test_nothing_is_fetched(made):
    text = made[2].decode()
    read = Reader(text)
    assert not re.search(r"https?://|//[a-z]+\.", text)
    assert not read.all("link") and all("src" not in a for a in read.all("script"))
    assert all(a["src"].startswith("data:image/png") for a in read.all("img"))
    assert not re.search(r"url\((?!#)|@import", text)


def test_the_policy_allows_this_style_and_this_script_alone(made):
    # Content Security Policy Level 3, W3C, hash-source: SHA-256 of the element's text, in base64.
    text = made[2].decode()
    policy = next(a["content"] for a in Reader(text).all("meta") if "Content-Security-Policy" in a.values())
    assert "default-src 'none'" in policy and "unsafe" not in policy
    for tag, rule in (("style", "style-src"), ("script", "script-src")):
        body = re.findall(rf"<{tag}>(.*?)</{tag}>", text, re.S)
        digest = base64.b64encode(hashlib.sha256(body[0].encode()).digest()).decode()
        assert len(body) == 1 and f"{rule} 'sha256-{digest}'" in policy
    assert not re.search(r'\sstyle="|\son[a-z]+="', text)


def test_names_and_items_are_escaped(made):
    read = Reader(made[2].decode())
    assert not read.all("b")
    assert NAME in "".join(read.text)
    assert "every temperature is within its <limits>" in "".join(read.text)


def test_it_is_built_as_screen_readers_need_it(made):
    read = Reader(made[2].decode())
    assert read.all("html")[0]["lang"] == "en" and read.all("title")
    assert all(a.get("alt") for a in read.all("img"))
    ids = [a["id"] for _, a in read.tags if "id" in a]
    assert len(ids) == len(set(ids))
    named = {a.get("for") for a in read.all("label")}
    assert all(a["id"] in named for a in read.all("input") if a["type"] == "range")
    assert all(a.get("aria-hidden") or a.get("aria-labelledby") for a in read.all("svg"))
    assert all(a.get("role") == "img" and a.get("aria-label") for a in read.all("canvas"))
    for _, a in read.tags:
        pointed = (a.get("aria-labelledby") or "").split() + [h[1:] for h in [a.get("href", "")] if h]
        assert set(pointed) <= set(ids)


def test_the_predicted_picture_is_that_of_the_text(made):
    result, program, whole = made
    # The wall, replayed as `pathgen replay --viewed` does; the panel is a whole number of layers high.
    found = replay(program, effects=Effects(smear=True, by_material=True))
    expected = np.clip(found.picture, 0, 1)
    # sRGB encoding, IEC 61966-2-1.
    srgb = np.where(expected <= 0.0031308, 12.92 * expected, 1.055 * expected ** (1 / 2.4) - 0.055)
    got = shown(whole, "predicted")
    assert got.shape == found.picture.shape
    assert np.abs(got - np.rint(255 * srgb)).max() <= 1
    assert (got == np.clip(np.rint(255 * srgb), 1, 255)).mean() > 0.95


def test_another_text_gives_another_picture(made, folder):
    result, program, whole = made
    lines = program.read_text().splitlines(keepends=True)
    fed = re.compile(r" E([\d.]+)")
    # Where every wall gets half the plastic, light passes more easily.
    thinned = [
        fed.sub(lambda m: f" E{float(m[1]) / 2:.5f}", line) if "X" in line or "Y" in line else line
        for line in lines
    ]
    other = folder / "thin.gcode"
    other.write_text("".join(thinned))
    changed = rendered(result, other)
    before, after = shown(whole, "predicted"), shown(changed, "predicted")
    assert np.median(after) > np.median(before) + 20
    assert (shown(changed, "target") == shown(whole, "target")).all()
    assert hashlib.sha256(other.read_bytes()).hexdigest() in changed.decode()


def test_the_scale_of_the_thickness_is_that_of_the_wall_without_its_ends(compared):
    images, wall = draw_images(compared, 1000), compared.thickness[compared.inner]
    assert images.thickness_ends == (wall.min(), wall.max())
    with Image.open(BytesIO(base64.b64decode(images.thickness.partition(",")[2]))) as image:
        shade = np.asarray(image.convert("RGB")).astype(int).sum(axis=2)
    thick = compared.thickness > np.quantile(wall, 0.9)
    thin = compared.inner & (compared.thickness < np.quantile(wall, 0.1))
    assert shade[thick & compared.inner].max() < shade[thin].min()
    assert images.difference_end == round_up(max(compared.p99, 0.5))
    assert (len(images.difference_colours), len(images.thickness_colours)) == (41, 48)
    flat = draw_images(replace(compared, thickness=np.full_like(compared.thickness, 1.5)), 50)
    assert flat.thickness_ends == pytest.approx((1.5, 1.55))  # a span that differences can be seen in
    with Image.open(BytesIO(base64.b64decode(flat.target.partition(",")[2]))) as image:
        assert max(image.size) == 50


def test_each_box_is_that_of_its_own_layers(folder):
    """The first layer has a box of its own, as a brim is wider than the wall; here it is narrower."""
    program = folder / "grown.gcode"
    make_several(
        [(np.tile(np.linspace(2.6, 1.0, 30)[:, None], (1, 60)), Job(rim_width=0.0, **QUICK | {"brim": 0.0}))],
        program,
    )
    sampled = pack_layers(replay(program), (0.28, 0.62))
    for box, layers in zip(sampled.boxes, (sampled.layers[:1], sampled.layers[1:]), strict=True):
        made = [np.flatnonzero(layer.codes > DRY) for layer in layers]
        ends = [layer.points[np.union1d(at, at + 1)] for layer, at in zip(layers, made, strict=True)]
        low, high = np.concatenate(ends).min(axis=0) - 1, np.concatenate(ends).max(axis=0) + 1
        assert box == pytest.approx((*low, *high))
    kept = {"shades": 4, "boxes": 3, "enlarged": 2, "middle": 3, "window": 3, "beside": 3, "origin": 6}
    for key, digits in kept.items():
        found = encode_layers(sampled)[key]
        numbers = [row[0] for row in found] if key == "shades" else np.ravel(found)
        assert all(round(float(number), digits) == number for number in numbers), key


def test_left_stays_left(made, compared):
    whole = made[2]
    for name in ("target", "predicted"):
        rows = shown(whole, name)[30:90, 20:110]
        assert rows[:, :30].mean() + 20 < rows[:, -30:].mean()
    # Dark is thick: at the viewer's left the wall reaches further toward him.
    layer = pack_layers(compared.found, (0.28, 0.62)).layers[20]
    ends, wall = layer.points[1:], layer.codes >= FIRST
    left, right = (wall & (ends[:, 0] > low) & (ends[:, 0] < low + 6) for low in (4, 16))
    assert ends[left, 1].max() > ends[right, 1].max() + 0.3


def test_layers_unpack_to_the_moves_of_the_text(made):
    result, program, whole = made
    data, moves = data_of(whole), replay(program).program.moves
    points = np.frombuffer(base64.b64decode(data["points"]), "<u2").reshape(-1, 2) * data["step"]
    codes = np.frombuffer(base64.b64decode(data["codes"]), np.uint8)
    ends = np.cumsum(data["counts"])
    assert len(points) == len(codes) == ends[-1] and len(data["counts"]) == len(data["words"]) == 40
    assert data["words"][-1].startswith("Layer 105 of 105")
    for at, number in ((0, 0), (-1, 104)):
        part = slice(ends[at] - data["counts"][at], ends[at])
        length = np.hypot(*np.diff(points[part], axis=0).T)
        here = (moves.layer == number) & (moves.filament > 0)
        for wanted, chosen in (
            (here & (moves.kind == Kind.WALL), codes[part][1:] >= FIRST),
            (here & (moves.kind == Kind.BRIM), codes[part][1:] == BRIM),
            (here & (moves.kind == Kind.WEDGE), codes[part][1:] == SUPPORT),
        ):
            assert length[chosen].sum() == pytest.approx(moves.path()[wanted].sum(), rel=2e-3, abs=0.01)
    assert {DRY, BRIM, SUPPORT} < set(codes.tolist())


def test_a_beads_spacing_fills_its_thickness(made, compared):
    result = made[0]
    layer = pack_layers(compared.found, (0.28, 0.62)).layers[20]
    along = np.abs(np.diff(layer.points[:, 0]))
    wall = (layer.codes >= FIRST) & (along > 0)
    # Area of the section from above: spacing times length, summed, is thickness times width.
    area = float((layer.spacing * layer.length)[wall].sum())
    row = result.planned.panel.thickness[::-1][layer.number]
    assert area == pytest.approx(row.sum() * 0.2, rel=0.03)


def test_times_add_up(compared):
    found = compared.found
    pace, whole = measure_rates(found), float(found.tally.time.sum())
    assert pace.layer_seconds.sum() == pytest.approx(whole, rel=1e-9)
    assert pace.band_seconds.sum() == pytest.approx(whole, rel=1e-9)
    assert pace.hours[-1] == pytest.approx(whole / 3600, rel=1e-9)
    assert (pace.mean <= pace.peak + 1e-9).all()
    assert pace.peak.max() <= found.machine.hot_end.melt_rate * 1.001


def test_it_tells_what_was_made(made):
    result, program, whole = made
    said = " ".join("".join(Reader(whole.decode()).text).split())
    assert result.summary.digest in said
    assert hashlib.sha256(program.read_bytes()).hexdigest() in said
    assert f"{result.summary.mass_g:.1f} g" in said and "105 layers" in said
    assert result.planned.supports.removal in said and "LEDs only" in said
    assert "a smoke alarm & a switch" in said and "Before the run" in said


def test_the_checklist_is_that_of_the_text(made, folder):
    result, program, _ = made
    setup = result.planned.setup
    listed = page_safety.list_checks(setup.machine, setup.material, program).items
    states = {item.state for item in listed}
    assert {"passed", "to tick"} <= states <= {"passed", "to tick", "not in the text"}
    # A heater left on at the end, and the page of that text says so.
    left_on = folder / "left_on.gcode"
    heater = re.compile(r"^M104 S0.*\n", re.M)
    text = program.read_text()
    assert heater.search(text)
    left_on.write_text(heater.sub("", text))
    said = Reader(page.render_page(result, left_on).decode())
    assert any("bad" in a.get("class", "") for a in said.all("span"))
    assert "failed" in "".join(said.text)
    told = " ".join("".join(said.text).split())
    assert re.search(
        r"Error 208, .*: nozzle heater still on at the end: .* What to do: turn the heater off", told
    )
    assert "Findings of the check" not in " ".join("".join(Reader(made[2].decode()).text).split())


def unpacked(whole, number):
    """Unpack a panel's sampled layers: points in mm and codes of each."""
    data = data_of(whole, number)
    points = np.frombuffer(base64.b64decode(data["points"]), "<u2").reshape(-1, 2) * data["step"]
    codes = np.frombuffer(base64.b64decode(data["codes"]), np.uint8)
    cuts = np.cumsum(data["counts"])[:-1]
    return data, np.split(points + data["origin"], cuts), np.split(codes, cuts)


@pytest.mark.parametrize("build", ["abreast", "in-turn"])
def test_each_of_several_panels_has_its_pictures_and_layers(folder, build):
    program = folder / f"{build}.gcode"
    shares = {"build": build, "machine": "moving-gantry", "layer": 0.2, "pixel": 0.2, "brim": 2.0}
    wedge = np.tile(np.linspace(1.0, 2.4, 90), (40, 1))  # dark at the right
    result = make_several([(wedge, Job(**shares)), (wedge[:25, :60], Job(rim_width=2.0, **shares))], program)
    whole = rendered(result, program)
    moves = replay(program, stated=Stated(panel=1)).program.moves
    begun = 0
    for number, part in enumerate(result.parts, start=1):
        planned, count = part.planned, len(part.planned.layers)
        found = replay(program, stated=Stated(panel=number), effects=Effects(smear=True, by_material=True))
        srgb = np.clip(np.rint(255 * encode_srgb(np.clip(found.picture, 0, 1))), 1, 255)
        assert np.abs(shown(whole, "predicted", number) - srgb).max() <= 1
        data, points, codes = unpacked(whole, number)
        assert data["words"][-1].startswith(f"Layer {count} of {count}, ")
        # The top layer's wall, beside the moves of the text that this panel's part of the platform holds.
        end = begun + count - 1
        inside = found.panel.frame.holds(moves.x, moves.y) & (moves.kind == Kind.WALL)
        here = inside & (moves.layer == end) & (moves.filament > 0)
        length = np.hypot(*np.diff(points[-1], axis=0).T)[codes[-1][1:] >= FIRST]
        assert length.sum() == pytest.approx(moves.path()[here].sum(), rel=2e-3)
        assert np.ptp(points[-1][:, 0]) == pytest.approx(planned.panel.width, abs=1.0)
        begun += count if build == "in-turn" else 0


def test_copies_share_a_section_and_all_are_listed(folder):
    program = folder / "copies.gcode"
    plate, other = np.full((30, 60), 1.6), np.full((20, 50), 1.2)
    job = Job(copies=2, machine="moving-gantry", **QUICK)
    result = make_several(
        [(plate, job), (other, Job(machine="moving-gantry", rim_width=1.0, **QUICK))], program
    )
    whole = rendered(result, program)
    read = Reader(whole.decode())
    said = " ".join("".join(read.text).split())
    heads = [a["id"] for a in read.all("h2") if a["id"].startswith("panel-head-")]
    assert heads == ["panel-head-1", "panel-head-2"]
    assert "Panels 1 and 2: array" in said and "Panel 3: array" in said and "3 relief panels" in said
    places = [f"x {p.planned.placement.x0:g}, y {p.planned.placement.y0:g}" for p in result.parts]
    assert len(set(places)) == 3 and all(place in said for place in places)
    assert "Panel 3, array: rim width 1" in said and "Panel 2, array: the same settings" in said


def test_a_page_of_many_panels_stays_small(folder, monkeypatch):
    monkeypatch.setattr(page_panels, "MAX_SEGMENTS", 24_000)
    monkeypatch.setattr(page_panels, "LARGEST", 60)
    program, noise = folder / "many.gcode", np.random.default_rng(5)
    # Grain is the most that pictures and layers can hold; each panel is another.
    job = Job(machine="moving-gantry", rim_width=1.0, **QUICK)
    panels = [(noise.uniform(0.8, 3.0, (40, 80)), job) for _ in range(4)]
    whole = rendered(make_several(panels, program), program)
    counts = [sum(data_of(whole, number)["counts"]) for number in range(1, 5)]
    assert 12_000 < sum(counts) < 1.1 * 24_000 and min(counts) > 2_000
    # Four pictures of the size of two.
    sizes = [shown(whole, "target", number).size for number in range(1, 5)]
    assert max(shown(whole, "target").shape) == 42 and sum(sizes) <= 2 * 60 * 60


@pytest.mark.parametrize(
    "keys",
    [{"bend": 120.0}, {"outline": "disc", "foot": 6.0}, {"turn": 90}, {"relief": "away"}, {"aim": "picture"}],
    ids=lambda keys: next(iter(keys)),
)
def test_every_shape_has_a_page(shaped, keys):
    result, whole = shaped(**keys)
    size = result.planned.panel.view.upright(result.planned.panel.thickness).shape
    assert shown(whole, "predicted").shape == pytest.approx(size, abs=1)
    middle = shown(whole, "target")
    third = middle.shape[1] // 3
    assert middle[30:60, third - 10 : third].mean() < middle[30:60, 2 * third : 2 * third + 10].mean()


def test_a_solved_wall_is_held_against_the_picture_it_was_solved_for(shaped):
    first, second = shaped()[1], shaped(aim="picture")[1]
    rim = slice(20, -20)
    apart = np.abs(shown(first, "target") - shown(second, "target"))[rim, rim]
    assert apart.max() <= 2  # rounding to layers aside, they want the same
    assert b"the wall was solved to approximate them" in second


def test_contrast_is_enough():
    # WCAG 2.2, 1.4.3 (text, 4.5 : 1) and 1.4.11 (graphics, 3 : 1), relative luminance as defined there.
    style = (Path(page_safety.__file__).parent / "page.css").read_text()
    colours = dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6})", style))

    def luminance(colour):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
        return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))

    def contrast(one, other):
        low, high = sorted((luminance(one), luminance(other)))
        return (high + 0.05) / (low + 0.05)

    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    for name in ("ink", "quiet", "deep", "warn"):
        assert contrast(colours[name], colours["paper"]) >= 4.5
    for name in ("edge", "ochre"):
        assert contrast(colours[name], colours["paper"]) >= 3


@pytest.mark.parametrize(("low", "high"), [(0, 1), (0, 8.2), (-3.7, 912), (0.2, 0.2004), (0, 1e-6)])
def test_ticks_are_round_and_inside(low, high):
    found = choose_ticks(low, high)
    assert 2 <= len(found) <= 7
    assert min(found) >= low - 1e-12 and max(found) <= high * (1 + 1e-9)
    assert np.ptp(np.diff(found)) < 1e-9 * (high - low) + 1e-15


def test_a_chart_keeps_inside_its_axes():
    chart = Chart("<Sway>", "a & b", ChartAxis(0, 10, "x"), ChartAxis(0, 1, "y"), "one")
    chart.line(np.array([0.0, 10.0, 20.0]), np.array([0.0, 0.5, 7.0]), "curve")
    chart.level(3.0, "far off")
    drawn = str(chart.svg)
    line = re.search(r'class="curve" d="M([^"]*)"', drawn)[1]
    x, y = np.array(line.replace("L", " ").split(), float).reshape(-1, 2).T
    assert x.max() <= 420 and y.min() >= 0 and x[2] == x[1]
    assert "far off" not in drawn and "&lt;Sway&gt;" in drawn and "a &amp; b" in drawn


def test_the_names_of_a_chart_s_axes_are_at_their_middles():
    """Ticks are where the curve passes their values; a name is midway between the ends of its axis."""
    chart = Chart("Sway", "told", ChartAxis(0, 10, "length"), ChartAxis(0, 1, "height"), "one")
    chart.line(np.array([0.0, 10.0]), np.array([0.0, 1.0]), "curve")
    drawn = str(chart.svg)
    line = re.search(r'class="curve" d="M([^"]*)"', drawn)[1]
    (left, low), (right, top) = np.array(line.replace("L", " ").split(), float).reshape(-1, 2)
    words = {word: at for at, word in re.findall(r"<text ([^>]*)>([^<]*)</text>", drawn)}
    place = {
        word: [float(re.search(rf'\b{axis}="([\d.]+)"', words[word])[1]) for axis in "xy"]
        for word in ("length", "height", "0.2", "8")
    }
    assert place["length"][0] == pytest.approx((left + right) / 2, abs=0.1) and place["length"][1] > low
    assert place["height"][1] == pytest.approx((low + top) / 2, abs=0.1) and place["height"][0] < left
    assert place["0.2"][1] == pytest.approx(low + 0.2 * (top - low) + 4, abs=0.1)  # half a figure's height
    assert place["8"][0] == pytest.approx(left + 0.8 * (right - left), abs=0.1)
    turned = re.search(r"rotate\(-90 ([\d.]+) ([\d.]+)\)", words["height"])
    assert [float(turned[1]), float(turned[2])] == pytest.approx(place["height"])


def test_the_command_writes_it_beside_the_program(folder, picture):
    out, to = folder / "told.gcode", folder / "told.html"
    keys = ["--width", "22", "--layer", "0.2", "--pixel", "0.2", "--brim", "2"]
    assert run(["panel", str(picture), "--out", str(out), "--report", str(to), *keys]) == 0
    whole = to.read_bytes().decode()
    assert hashlib.sha256(out.read_bytes()).hexdigest() in whole and "<code>told.gcode</code>" in whole
    assert run(["panel", str(picture), "--out", str(out), "--report", str(out), *keys]) == 2
    assert out.stat().st_size > 10_000  # untouched


def test_what_is_no_program_is_refused(made, folder):
    with pytest.raises(PathgenError, match="no such file|is a folder|cannot be read"):
        rendered(made[0], folder / "nowhere.gcode")


def test_a_layer_drawn_for_paper_fills_its_view(compared):
    """The corners of the layer's box, in mm, come to the corners of the view, whatever lies left of u = 0."""
    sampled = pack_layers(compared.found, (0.28, 0.62))
    for index in (0, 1):
        left, back, right, front = sampled.boxes[index]
        assert left < 0 < right
        text = str(draw_layer_svg(sampled, index, "name", "words"))
        wide, high = (float(n) for n in re.search(r'viewBox="0 0 (\S+) (\S+)"', text).groups())
        across, up, x, y = (
            float(n) for n in re.search(r"matrix\((\S+) 0 0 (\S+) (\S+) (\S+)\)", text).groups()
        )
        assert (across * left + x, up * back + y) == pytest.approx((0, 0), abs=0.01)
        assert (across * right + x, up * front + y) == pytest.approx((wide, high), abs=0.6)
        assert up == pytest.approx(across * sampled.enlarged[index], abs=1e-3)
