"""The pipeline stage by stage, each a function on arrays: what `pathgen.make` does, taken apart.

    python examples/stages.py

Every stage can be replaced by one of your own that takes and returns the same: a thickness map from another
program, strokes of another fill, moves of another planner. What each takes and gives, with shapes and units,
stands in its docstring.
"""

from io import BytesIO

import numpy as np

from pathgen import optics
from pathgen.gcode import ProgramWriter
from pathgen.gcode.read import read_program
from pathgen.layers import BeadPlan, cut_layers, find_fill
from pathgen.motion import (
    Kind,
    LayerSpans,
    approach_moves,
    assemble,
    concatenate,
    limit_feed,
    plan_speeds,
    sum_moves,
)
from pathgen.panel import add_rim
from pathgen.proof.checklist import check_program
from pathgen.proof.deposit_map import deposit, thickness_error
from pathgen.proof.frame import Frame
from pathgen.route import Placement, order_strokes
from pathgen.settings import Job, settle


def main():
    """Go through the stages on a small picture and print what each gives."""
    setup = settle(Job(machine="moving-gantry", brim=0.0))
    light, rim, machine, material = setup.light, setup.rim, setup.machine, setup.material

    # Picture: linear luminance, (rows, cols), 0 black to 1 white, row 0 at the top.
    u, z = np.meshgrid(np.linspace(0, 1, 300), np.linspace(1, 0, 120))
    luminance = 0.5 + 0.5 * np.sin(9 * u) * np.cos(4 * z)

    # Optics: the thickness that shows each tone in this plastic, mm.
    law = optics.law(material.light)
    thickness = optics.thickness(luminance, law, light.thinnest, light.thickest)

    # Panel and layers: the map in its rim, cut into layers.
    panel = add_rim(thickness, light.pixel, rim.rim_width, rim.rim_thickness)
    layers = cut_layers(panel, setup.layers.nominal, setup.layers.first_layer)
    heights = LayerSpans(layers.top, layers.height)

    # Fill: profiles of all layers become strokes, in panel coordinates; then their order and their place.
    beads = BeadPlan(setup.beads.spacing, setup.beads.spacing_min, setup.beads.spacing_max)
    strokes = find_fill("tailored")(layers.profiles(0, len(layers)), beads)
    place = Placement(0, 120.0, 150.0)
    ordered, _ = order_strokes(place.put(strokes), (120.0, 150.0))

    # Motion: moves, the speeds the machine really drives them with, and what they add up to.
    start = approach_moves(ordered, machine)
    moves = concatenate([start, assemble(ordered, Kind.WALL, heights, setup, start.end)])
    feed = limit_feed(moves, machine)
    sums = sum_moves(moves, plan_speeds(moves, machine, feed), feed)

    # Text, and back.
    text = BytesIO()
    writer = ProgramWriter(text, machine, material.fan)
    rests = {
        "nozzle": setup.heat.nozzle_temperature,
        "platform": 60.0,
        "park_x": 0.0,
        "park_y": 250.0,
        "clear_z": 30.0,
    }
    writer.begin([], rests, layers.top, layers.height, late=())
    writer.write(moves, feed)
    writer.finish({})
    program = read_program(text.getvalue(), machine.dialect, machine.hot_end.filament_diameter)

    # Proof: the text laid down, held against the map, and its picture; and that nothing of it is unsafe.
    grid = Frame(0, place.x0, place.y0, panel.width, panel.pixel, layers.top)
    diameter = machine.hot_end.filament_diameter
    laid = deposit(program, grid, packing=setup.beads.packing, filament_diameter=diameter)
    error = thickness_error(laid.upright(len(panel.thickness)), panel.thickness, ends=1.0, pixel=panel.pixel)
    backlit = optics.backlit(laid.upright(), law, light.thinnest)
    checked = check_program(text.getvalue(), machine, material)

    print(f"picture    {luminance.shape[1]} × {luminance.shape[0]} pixels")
    print(f"thickness  {thickness.min():.2f} to {thickness.max():.2f} mm")
    print(f"layers     {len(layers)}, up to {layers.top[-1]:.1f} mm")
    print(f"strokes    {len(strokes)}, {strokes.length().sum() / 1000:.1f} m")
    fed = sums.filament.sum() / 1000
    print(f"moves      {len(moves):,}, {sums.time.sum() / 60:.0f} min, {fed:.2f} m of filament")
    print(f"text       {len(text.getvalue()) / 1e6:.2f} MB, {len(program.moves):,} moves read back")
    darkest, off = backlit[40:-40, 40:-40].min(), 1000 * error["rms"]
    print(f"proof      {off:.1f} µm RMS off the map; the darkest tone is {darkest:.2f} of white")
    print(f"           {len(checked.errors)} errors, {checked.applied} rules applied")
    return error["rms"], checked


if __name__ == "__main__":
    main()
