"""What each record must hold beyond the types of its fields: limits that depend on one another.

Each function yields faults, the most basic first; `refuse_first` turns the first into a refusal.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from pathgen.settings.blocks import dialect_faults
from pathgen.settings.job import LEAST_BEND, Job
from pathgen.settings.machine import KeepOut, Machine
from pathgen.settings.material import Material
from pathgen.settings.validation import Fault, bad

LAYER_OF_NOZZLE = 0.8  # highest layer over nozzle; common practice: above it a bead is not pressed down
LEAST_FIRST = 0.05  # mm over the platform, as the controller counts it
LARGEST = 5000.0  # mm, side of the build volume; catches micrometres and inches times a thousand


def machine_faults(machine: Machine) -> Iterator[Fault]:
    """Find what contradicts itself in a machine profile."""
    if not machine.about.isprintable():
        yield bad("about", machine.about, "one line of text")
    yield from _volume_faults(machine)
    for number, box in enumerate(machine.keep_out):
        yield from _keep_out_faults(f"keep_out[{number}]", box, machine)
    for number, part in enumerate(machine.head):
        for name in "xy":
            low, high = getattr(part, name)
            if not low < high or high - low > LARGEST:
                yield bad(
                    f"head[{number}].{name}",
                    [low, high],
                    "[low, high] from the nozzle, low less than high, mm",
                )
    yield from _speed_faults(machine)
    hot = machine.hot_end
    if hot.nozzle_diameter >= hot.filament_diameter:
        yield bad(
            "hot_end.nozzle_diameter",
            hot.nozzle_diameter,
            f"less than filament_diameter, {hot.filament_diameter:g} mm",
        )
    low, most = hot.spacing_min or 0.70 * hot.nozzle_diameter, hot.spacing_max or 1.55 * hot.nozzle_diameter
    if low >= most:
        yield bad("hot_end.spacing_min", low, f"less than spacing_max, {most:g} mm")
    yield from dialect_faults(machine.dialect, machine.heaters)


def _volume_faults(machine: Machine) -> Iterator[Fault]:
    for name in "xyz":
        low, high = getattr(machine.volume, name)
        if not low < high:
            yield bad(f"volume.{name}", [low, high], "[low, high] with low less than high")
        if high - low > LARGEST:
            yield bad(f"volume.{name}", [low, high], f"at most {LARGEST:g} mm from end to end")
        if name != "z" and 2 * machine.margin >= high - low:
            yield bad("margin", machine.margin, f"less than half of volume.{name}, {(high - low) / 2:g} mm")
    if not machine.volume.z[0] <= 0 < machine.volume.z[1]:
        yield bad("volume.z", list(machine.volume.z), "[0, height]: z is 0 at the platform's surface")


def _keep_out_faults(key: str, box: KeepOut, machine: Machine) -> Iterator[Fault]:
    whole = True
    for name in "xy":
        low, high = getattr(box, name)
        edge_low, edge_high = getattr(machine.volume, name)
        if not low < high:
            yield bad(f"{key}.{name}", [low, high], "[low, high] with low less than high")
        if high <= edge_low or low >= edge_high:
            hint = "a box off the platform keeps nothing out"
            yield bad(f"{key}.{name}", [low, high], f"a box that meets [{edge_low:g}, {edge_high:g}]", hint)
        whole = whole and low <= edge_low and high >= edge_high
    if whole:
        yield bad(f"{key}.x", list(box.x), "a box that leaves some of the platform free")


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
    """Find what contradicts itself in a material profile."""
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


def job_faults(job: Job, machine: Machine, material: Material) -> Iterator[Fault]:
    """Find what a job asks that it, the machine or the material does not allow.

    Every None but width and height is taken to be filled in, as `settle` does.
    """
    if job.thinnest >= job.thickest:
        yield bad("thinnest", job.thinnest, f"less than thickest, {job.thickest:g} mm")
    yield from _size_faults(job)
    yield from _eyelet_faults(job)
    yield from _seam_faults(job)
    yield from _bead_faults(job, machine.hot_end.nozzle_diameter)
    slower = min(machine.axes.x.feed, machine.axes.y.feed)
    for name in ("feed", "first_feed", "support_feed"):
        if (getattr(job, name) or 0.0) > slower:
            allowed = f"at most {slower:g} mm/s, the slower of axes x and y of {machine.name}"
            yield bad(name, getattr(job, name), allowed)
    if job.first_layer - machine.z_zero < LEAST_FIRST:
        allowed = f"more than z_zero of {machine.name} by {LEAST_FIRST:g} mm"
        yield bad("first_layer", job.first_layer, allowed, "the nozzle would touch the platform")
    yield from _band_faults(job, slower, machine)
    if job.lead == "on" and machine.hot_end.lag == 0:
        hint = "measure its hot_end.lag first"
        yield bad("lead", job.lead, f"'off', as {machine.name} says no lag", hint)
    yield from _temperature_faults(job, machine, material)


def _band_faults(job: Job, fastest: float, machine: Machine) -> Iterator[Fault]:
    """Find bands out of order, that change nothing, or that the machine cannot change to."""
    before = -1.0
    for number, band in enumerate(job.band):
        key = f"band[{number}]"
        if band.above <= before:
            yield bad(f"{key}.above", band.above, f"more than that of the band before, {before:g} mm")
        before = band.above
        if (band.feed, band.packing, band.nozzle_temperature, band.fan) == (None,) * 4:
            allowed = "a feed, packing, nozzle_temperature or fan of its own"
            yield Fault(key, f"the band above {band.above:g} mm changes nothing", allowed)
        if band.feed is not None and band.feed > fastest:
            allowed = f"at most {fastest:g} mm/s, the slower of axes x and y of {machine.name}"
            yield bad(f"{key}.feed", band.feed, allowed)
        if band.fan and not machine.dialect.fan_on.strip():
            yield bad(f"{key}.fan", band.fan, f"0, as {machine.name} has no fan_on")


def _size_faults(job: Job) -> Iterator[Fault]:
    if 0 < abs(job.bend) < LEAST_BEND:
        yield bad("bend", job.bend, f"0, or {LEAST_BEND:g} to 360 degrees either way")
    for name in ("width", "height"):
        size = getattr(job, name)
        if name == "width" and job.seam == "dark":
            continue  # there is no rim at the sides
        if size is not None and 2 * job.rim_width >= size:
            yield bad("rim_width", job.rim_width, f"less than half of {name}, {size / 2:g} mm")
    if job.height is not None and job.height <= job.first_layer:
        yield bad("height", job.height, f"more than first_layer, {job.first_layer:g} mm")


def _eyelet_faults(job: Job) -> Iterator[Fault]:
    places = job.eyelet_at
    if places is not None and job.eyelets not in (0, len(places)):
        hint = "give the one or the other"
        yield bad("eyelets", job.eyelets, f"as many as eyelet_at has places, {len(places)}", hint)
    if job.turn == 180 and (job.eyelets or places):
        hint = "eyelets hang on the upper edge, and it would stand on them"
        yield bad("turn", job.turn, "0, 90 or 270 with eyelets", hint)


def _seam_faults(job: Job) -> Iterator[Fault]:
    if job.seam != "dark":
        return
    if abs(abs(job.bend) - 360) > 1e-9:
        yield bad("seam", job.seam, "'rim', or a closed ring: bend 360 or -360")
    if job.outline != "rectangle" or job.corner:
        yield bad("seam", job.seam, "'rim', or outline 'rectangle' without round corners")
    if job.turn not in (0, 180):
        hint = "the picture's columns have to go round the ring"
        yield bad("turn", job.turn, "0 or 180 with a dark seam", hint)


def _bead_faults(job: Job, nozzle: float) -> Iterator[Fault]:
    most = LAYER_OF_NOZZLE * nozzle
    layer = "layer_like" if job.layer == "auto" else "layer"
    for name in (layer, "first_layer"):
        if getattr(job, name) > most * (1 + 1e-9):
            yield bad(name, getattr(job, name), f"at most {most:g} mm, 80 % of the {nozzle:g} mm nozzle")
    low, spacing, high = job.spacing_min, job.spacing, job.spacing_max
    assert low is not None and spacing is not None and high is not None
    if low >= high:
        yield bad("spacing_min", low, f"less than spacing_max, {high:g} mm")
    if not low <= spacing <= high:
        yield bad("spacing", spacing, f"spacing_min to spacing_max, {low:g} to {high:g} mm")
    # A stadium section of spacing p and height h is p + h(1 − π/4) wide: under p = πh/4 it is taller than
    # wide.
    least = math.pi / 4 * max(getattr(job, layer), job.first_layer)
    if low < least:
        hint = "a narrower bead would stand taller than it is wide"
        yield bad("spacing_min", low, f"at least {least:.3f} mm, π/4 of the highest layer", hint)
    if job.thinnest < low:
        hint = "one bead is the least a wall can hold; a finer nozzle lays a thinner one"
        yield bad("thinnest", job.thinnest, f"at least spacing_min, {low:g} mm", hint)
    if job.rim_width and job.rim_thickness is not None and job.rim_thickness < low:
        hint = "one bead is the least a rim can hold; rim_width 0 leaves it out"
        yield bad("rim_thickness", job.rim_thickness, f"at least spacing_min, {low:g} mm", hint)


def _temperature_faults(job: Job, machine: Machine, material: Material) -> Iterator[Fault]:
    """Hold temperatures against both profiles.

    Where the machine sets temperatures itself, the job's are what the operator is told to set there: the same
    limits hold.
    """
    nozzle, platform = job.nozzle_temperature, job.platform_temperature
    assert nozzle is not None and platform is not None
    heat, limits = material.temperature, machine.heaters
    own = [(f"band[{i}].nozzle_temperature", band.nozzle_temperature) for i, band in enumerate(job.band)]
    for key, value in [("nozzle_temperature", nozzle), *own]:
        if value is None:
            continue
        if not heat.nozzle_min <= value <= heat.nozzle_max:
            allowed = f"{heat.nozzle_min:g} to {heat.nozzle_max:g} °C for {material.name}"
            yield bad(key, value, allowed)
        if value > limits.nozzle_max:
            yield bad(key, value, f"at most {limits.nozzle_max:g} °C on {machine.name}")
        change = machine.dialect.nozzle_change.strip() or machine.dialect.heaters == "machine"
        if key.startswith("band") and not change:
            hint = "such as nozzle_change = 'M104 S{nozzle}'"
            allowed = f"a dialect.nozzle_change in the profile of {machine.name}"
            yield bad(key, value, allowed, hint)
    if platform > heat.platform_max:
        yield bad("platform_temperature", platform, f"at most {heat.platform_max:g} °C for {material.name}")
    if platform > limits.platform_max:
        hint = "its platform has no heater" if limits.platform_max == 0 else ""
        allowed = f"at most {limits.platform_max:g} °C on {machine.name}"
        yield bad("platform_temperature", platform, allowed, hint)
