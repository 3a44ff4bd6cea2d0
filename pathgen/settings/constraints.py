"""Constraints between the values of a record, in addition to the types of the fields.

Each function yields faults, the most basic first; `refuse_first` raises the first of them as an error.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from pathgen.settings.blocks import dialect_faults
from pathgen.settings.job import MIN_BEND, Band
from pathgen.settings.machine import KeepOut, Machine
from pathgen.settings.material import Material
from pathgen.settings.settled import Setup
from pathgen.settings.validation import Fault, bad

# Maximum layer height over nozzle diameter; higher beads are not pressed down (common practice).
LAYER_OF_NOZZLE = 0.8
MIN_FIRST = 0.05  # mm above the platform, minimum height of the nozzle
LARGEST = 5000.0  # mm, maximum side of the build volume, to catch values in other units


def machine_faults(machine: Machine) -> Iterator[Fault]:
    """Find contradictions in a machine profile."""
    if not machine.about.isprintable():
        yield bad("about", machine.about, "one line of text")
    yield from _volume_faults(machine)
    for number, box in enumerate(machine.keep_out):
        yield from _keep_out_faults(f"keep_out[{number}]", box, machine)
    for number, part in enumerate(machine.head):
        for name in "xy":
            low, high = getattr(part, name)
            if not low < high or high - low > LARGEST:
                allowed = "[low, high] in mm from the nozzle, with low < high"
                yield bad(f"head[{number}].{name}", [low, high], allowed)
    yield from _speed_faults(machine)
    hot = machine.hot_end
    if hot.nozzle_diameter >= hot.filament_diameter:
        allowed = f"less than filament_diameter, {hot.filament_diameter:g} mm"
        yield bad("hot_end.nozzle_diameter", hot.nozzle_diameter, allowed)
    low, high = hot.spacing_min or 0.70 * hot.nozzle_diameter, hot.spacing_max or 1.55 * hot.nozzle_diameter
    if low >= high:
        yield bad("hot_end.spacing_min", low, f"less than spacing_max, {high:g} mm")
    yield from dialect_faults(machine.dialect, machine.heaters)


def _volume_faults(machine: Machine) -> Iterator[Fault]:
    for name in "xyz":
        low, high = getattr(machine.volume, name)
        if not low < high:
            yield bad(f"volume.{name}", [low, high], "[low, high] with low < high")
        if high - low > LARGEST:
            yield bad(f"volume.{name}", [low, high], f"a range of at most {LARGEST:g} mm")
        if name != "z" and 2 * machine.margin >= high - low:
            yield bad("margin", machine.margin, f"less than half of volume.{name}, {(high - low) / 2:g} mm")
    if not machine.volume.z[0] <= 0 < machine.volume.z[1]:
        allowed = "a range that includes 0, the height of the platform surface, and ends above it"
        yield bad("volume.z", list(machine.volume.z), allowed)


def _keep_out_faults(key: str, box: KeepOut, machine: Machine) -> Iterator[Fault]:
    whole = True
    for name in "xy":
        low, high = getattr(box, name)
        edge_low, edge_high = getattr(machine.volume, name)
        if not low < high:
            yield bad(f"{key}.{name}", [low, high], "[low, high] with low < high")
        if high <= edge_low or low >= edge_high:
            hint = "a zone outside the platform has no effect"
            allowed = f"a range that overlaps [{edge_low:g}, {edge_high:g}]"
            yield bad(f"{key}.{name}", [low, high], allowed, hint)
        whole = whole and low <= edge_low and high >= edge_high
    if whole:
        yield bad(f"{key}.x", list(box.x), "a zone that leaves part of the platform free")


def _speed_faults(machine: Machine) -> Iterator[Fault]:
    axes = machine.axes
    for name in ("x", "y", "z", "filament"):
        axis = getattr(axes, name)
        if axis.step_change > axis.feed:
            allowed = f"at most axes.{name}.feed, {axis.feed:g} mm/s"
            yield bad(f"axes.{name}.step_change", axis.step_change, allowed)
    fastest = max(axes.x.feed, axes.y.feed)
    if machine.travel_feed > fastest:
        allowed = f"at most the faster of axes.x.feed and axes.y.feed, {fastest:g} mm/s"
        yield bad("travel_feed", machine.travel_feed, allowed)
    if machine.retraction.feed > axes.filament.feed:
        allowed = f"at most axes.filament.feed, {axes.filament.feed:g} mm/s"
        yield bad("retraction.feed", machine.retraction.feed, allowed)


def material_faults(material: Material) -> Iterator[Fault]:
    """Find contradictions in a material profile."""
    if not material.about.isprintable():
        yield bad("about", material.about, "one line of text")
    heat = material.temperature
    if heat.nozzle_min > heat.nozzle_max:
        yield bad("temperature.nozzle_min", heat.nozzle_min, f"at most nozzle_max, {heat.nozzle_max:g} °C")
    if not heat.nozzle_min <= heat.nozzle <= heat.nozzle_max:
        allowed = f"nozzle_min to nozzle_max, {heat.nozzle_min:g} to {heat.nozzle_max:g} °C"
        yield bad("temperature.nozzle", heat.nozzle, allowed)
    if heat.platform > heat.platform_max:
        yield bad("temperature.platform", heat.platform, f"at most platform_max, {heat.platform_max:g} °C")
    if heat.glass_transition >= heat.nozzle_min:
        allowed = f"less than nozzle_min, {heat.nozzle_min:g} °C"
        yield bad("temperature.glass_transition", heat.glass_transition, allowed)


def setup_faults(setup: Setup) -> Iterator[Fault]:
    """Find contradictions between settings, and values outside the limits of machine or material."""
    light, machine, feeds = setup.light, setup.machine, setup.feeds
    if light.thinnest >= light.thickest:
        yield bad("thinnest", light.thinnest, f"less than thickest, {light.thickest:g} mm")
    yield from _size_faults(setup)
    yield from _eyelet_faults(setup)
    yield from _seam_faults(setup)
    yield from _layer_faults(setup)
    yield from _bead_faults(setup)
    slower = min(machine.axes.x.feed, machine.axes.y.feed)
    for name in ("feed", "first_feed", "support_feed"):
        if (getattr(feeds, name) or 0.0) > slower:
            allowed = f"at most {slower:g} mm/s, the limit of the slower of axes x and y on {machine.name}"
            yield bad(name, getattr(feeds, name), allowed)
    first_layer = setup.layers.first_layer
    if first_layer - machine.z_zero < MIN_FIRST:
        allowed = f"at least {MIN_FIRST:g} mm above z_zero of {machine.name}"
        yield bad("first_layer", first_layer, allowed, "the nozzle would touch the platform")
    yield from _band_faults(setup.layers.band, slower, machine)
    if feeds.lead == "on" and machine.hot_end.lag == 0:
        hint = "measure hot_end.lag first"
        yield bad("lead", feeds.lead, f"'off', because the profile of {machine.name} has no lag", hint)
    yield from _temperature_faults(setup)


def _band_faults(bands: tuple[Band, ...], fastest: float, machine: Machine) -> Iterator[Fault]:
    """Find bands out of order, bands without effect, and changes that the machine cannot make."""
    before = -1.0
    for number, band in enumerate(bands):
        key = f"band[{number}]"
        if band.above <= before:
            yield bad(f"{key}.above", band.above, f"more than {before:g} mm, the height of the previous band")
        before = band.above
        if (band.feed, band.packing, band.nozzle_temperature, band.fan) == (None,) * 4:
            allowed = "a band with a feed, packing, nozzle_temperature or fan"
            yield Fault(key, f"the band above {band.above:g} mm changes nothing", allowed)
        if band.feed is not None and band.feed > fastest:
            allowed = f"at most {fastest:g} mm/s, the limit of the slower of axes x and y on {machine.name}"
            yield bad(f"{key}.feed", band.feed, allowed)
        if band.fan and not machine.dialect.fan_on.strip():
            yield bad(f"{key}.fan", band.fan, f"0, because the profile of {machine.name} has no fan_on")


def _size_faults(setup: Setup) -> Iterator[Fault]:
    form, picture, first_layer = setup.form, setup.picture, setup.layers.first_layer
    if 0 < abs(form.bend) < MIN_BEND:
        yield bad("bend", form.bend, f"0, or {MIN_BEND:g} to 360 degrees in either direction")
    width = None if form.seam == "dark" else picture.width  # such a ring has no rim at its sides
    for name, size in (("width", width), ("height", picture.height)):
        if size is not None and 2 * setup.rim.rim_width >= size:
            yield bad("rim_width", setup.rim.rim_width, f"less than half of {name}, {size / 2:g} mm")
    if picture.height is not None and picture.height <= first_layer:
        yield bad("height", picture.height, f"more than first_layer, {first_layer:g} mm")


def _eyelet_faults(setup: Setup) -> Iterator[Fault]:
    places, eyelets = setup.rim.eyelet_at, setup.rim.eyelets
    if places is not None and eyelets not in (0, len(places)):
        hint = "set only one of eyelets and eyelet_at"
        yield bad("eyelets", eyelets, f"{len(places)}, the number of positions in eyelet_at", hint)
    if setup.standing.turn == 180 and (eyelets or places):
        hint = "the eyelets are on the upper edge, and the panel would stand on them"
        yield bad("turn", setup.standing.turn, "0, 90 or 270 if the panel has eyelets", hint)


def _seam_faults(setup: Setup) -> Iterator[Fault]:
    form, turn = setup.form, setup.standing.turn
    if form.seam != "dark":
        return
    if abs(abs(form.bend) - 360) > 1e-9:
        yield bad("seam", form.seam, "'rim'; 'dark' needs a closed ring (bend 360 or -360)")
    if form.outline != "rectangle" or form.corner:
        yield bad("seam", form.seam, "'rim'; 'dark' needs outline 'rectangle' without round corners")
    if turn not in (0, 180):
        hint = "the picture's width must run around the ring"
        yield bad("turn", turn, "0 or 180 if seam is 'dark'", hint)


def _layer_faults(setup: Setup) -> Iterator[Fault]:
    nozzle, layers = setup.machine.hot_end.nozzle_diameter, setup.layers
    highest = LAYER_OF_NOZZLE * nozzle
    name = "layer_like" if layers.layer == "auto" else "layer"
    for key, height in ((name, layers.nominal), ("first_layer", layers.first_layer)):
        if height > highest * (1 + 1e-9):
            yield bad(key, height, f"at most {highest:g} mm, 80 % of the nozzle diameter of {nozzle:g} mm")


def _bead_faults(setup: Setup) -> Iterator[Fault]:
    beads, layers, rim, thinnest = setup.beads, setup.layers, setup.rim, setup.light.thinnest
    low, high = beads.spacing_min, beads.spacing_max
    if low >= high:
        yield bad("spacing_min", low, f"less than spacing_max, {high:g} mm")
    if not low <= beads.spacing <= high:
        yield bad("spacing", beads.spacing, f"spacing_min to spacing_max, {low:g} to {high:g} mm")
    # A stadium section of spacing p and height h is p + h(1 − π/4) wide: below p = πh/4 it is taller than
    # wide.
    narrowest = math.pi / 4 * max(layers.nominal, layers.first_layer)
    if low < narrowest:
        hint = "a narrower bead would be taller than it is wide"
        allowed = f"at least {narrowest:.3f} mm, π/4 times the largest layer height"
        yield bad("spacing_min", low, allowed, hint)
    if thinnest < low:
        hint = "a wall is at least one bead thick; use a finer nozzle for a thinner wall"
        yield bad("thinnest", thinnest, f"at least spacing_min, {low:g} mm", hint)
    if rim.rim_width and rim.rim_thickness < low:
        hint = "a rim is at least one bead thick; set rim_width to 0 for no rim"
        yield bad("rim_thickness", rim.rim_thickness, f"at least spacing_min, {low:g} mm", hint)


def _temperature_faults(setup: Setup) -> Iterator[Fault]:
    """Check temperatures against both profiles.

    The limits also hold where the machine sets temperatures itself: the operator then sets those of the job.
    """
    machine, material, platform = setup.machine, setup.material, setup.heat.platform_temperature
    heat, limits = material.temperature, machine.heaters
    nozzles = [("nozzle_temperature", setup.heat.nozzle_temperature)]
    for number, band in enumerate(setup.layers.band):
        if band.nozzle_temperature is not None:
            nozzles.append((f"band[{number}].nozzle_temperature", band.nozzle_temperature))
    for key, value in nozzles:
        if not heat.nozzle_min <= value <= heat.nozzle_max:
            yield bad(key, value, f"{heat.nozzle_min:g} to {heat.nozzle_max:g} °C for {material.name}")
        if value > limits.nozzle_max:
            yield bad(key, value, f"at most {limits.nozzle_max:g} °C on {machine.name}")
        change = machine.dialect.nozzle_change.strip() or machine.dialect.heaters == "machine"
        if key.startswith("band") and not change:
            hint = "add a line such as nozzle_change = 'M104 S{nozzle}'"
            allowed = f"no change without a dialect.nozzle_change in the profile of {machine.name}"
            yield bad(key, value, allowed, hint)
    if platform > heat.platform_max:
        yield bad("platform_temperature", platform, f"at most {heat.platform_max:g} °C for {material.name}")
    if platform > limits.platform_max:
        hint = "its platform has no heater" if limits.platform_max == 0 else ""
        allowed = f"at most {limits.platform_max:g} °C on {machine.name}"
        yield bad("platform_temperature", platform, allowed, hint)
