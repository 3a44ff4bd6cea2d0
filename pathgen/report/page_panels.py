"""Sections of the report: one per panel and its copies, with pictures, layers and stability.

Glossary. *Section*: part of the report for a panel and its copies. *Begun*: number of layers in the program
before the panel's first one; not 0 only for panels built in turn.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from pathgen.motion import Tally
from pathgen.plan.model import Planned
from pathgen.program.result import Part, Result
from pathgen.report.page_charts import Chart, draw_bar, draw_colour_scale
from pathgen.report.page_curves import sway_chart
from pathgen.report.page_data import (
    PageImages,
    PanelComparison,
    PrintRates,
    bead_shares,
    compare_with_plan,
    draw_images,
    measure_rates,
    read_for_page,
)
from pathgen.report.page_layers import (
    MAX_SEGMENTS,
    LayerSet,
    draw_layer_svg,
    encode_layers,
    pack_layers,
    spacing_colours,
)
from pathgen.report.page_words import StabilityText, describe_layer, describe_picture, describe_stability

LARGEST = 1000  # dots of a picture's longer side; less for more than two panels, to limit the file's size
ON_PAPER = 3  # layers drawn on paper


@dataclass(frozen=True, slots=True)
class Section:
    """A section of the report: a panel and its copies.

    Attributes
    ----------
    number : int
        Number of the section, from 1.
    panels : tuple of int
        Panel numbers from 1, as for ``pathgen replay --panel``; the section shows the first of them.
    part : Part
    begun : int
    shared : bool
        Whether other panels are printed in the same layers.
    """

    number: int
    panels: tuple[int, ...]
    part: Part
    begun: int
    shared: bool

    @property
    def name(self) -> str:
        """Heading of the section, with the numbers of its panels."""
        *most, last = map(str, self.panels)
        return f"Panels {', '.join(most)} and {last}" if most else f"Panel {last}"

    @property
    def planned(self) -> Planned:
        """The planned panel of this section."""
        return self.part.planned


@dataclass(frozen=True, slots=True, eq=False)
class ProgramTotals:
    """Totals of the whole program."""

    tally: Tally
    seconds: float
    rates: PrintRates


@dataclass(frozen=True, slots=True, eq=False)
class ReplayedSection:
    """Content of a section of the report.

    Attributes
    ----------
    section : Section
    size : (float, float)
        Width and height as the viewer sees the panel, mm.
    layers, sampled : int
        Number of layers, and number of sampled layers.
    judged : PanelComparison
    pictures : PageImages
    scales : dict of str to Markup
    facts : list of str
    beads : list of (number, share, bar)
    standing : StabilityText
    sway : Chart or None
    data : Markup
        Layers for the script, as JSON.
    paper : list of (drawing, words)
        Layers for paper.
    notes : tuple of str
        Notes of the replay.
    """

    section: Section
    size: tuple[float, float]
    layers: int
    sampled: int
    judged: PanelComparison
    pictures: PageImages
    scales: dict[str, Markup]
    facts: list[str]
    beads: list[tuple[int, float, Markup]]
    standing: StabilityText
    sway: Chart | None
    data: Markup
    paper: list[tuple[Markup, str]]
    notes: tuple[str, ...]


def panel_sections(result: Result) -> list[Section]:
    """List the sections of the report, in the order of their first panels.

    Examples
    --------
    >>> import io
    >>> import numpy as np
    >>> from pathgen.job import plan_panel, write
    >>> from pathgen.settings import Job
    >>> result = write(plan_panel(np.full((20, 30), 1.2), Job(brim=0.0)), io.BytesIO())
    >>> [(each.number, each.panels, each.begun) for each in panel_sections(result)]
    [(1, (1,), 0)]
    """
    copies: dict[int, list[int]] = {}
    for number, part in enumerate(result.parts):
        copies.setdefault(id(part.planned.panel), []).append(number)
    in_turn = result.platform.in_turn
    layers = [len(part.planned.layers) for part in result.parts]
    shared = len(layers) > 1 and not in_turn
    sections = []
    for number, places in enumerate(copies.values(), start=1):
        panels, first = tuple(place + 1 for place in places), places[0]
        begun = sum(layers[:first]) if in_turn else 0
        sections.append(Section(number, panels, result.parts[first], begun, shared))
    return sections


def replay_sections(result: Result, program: Path) -> tuple[list[ReplayedSection], ProgramTotals]:
    """Read a program, and compute the content of all sections and the totals."""
    every, totals, out = panel_sections(result), None, []
    several, text = len(result.parts) > 1, read_for_page(result.platform.setup, program)
    for section in every:
        judged = compare_with_plan(section.planned, text, section.panels[0] if several else None)
        if totals is None:
            totals = ProgramTotals(judged.found.tally, judged.found.seconds, measure_rates(judged.found))
        out.append(_show(section, judged, totals.rates, len(every)))
    assert totals is not None, "a program has a panel"
    return out, totals


def _show(section: Section, judged: PanelComparison, rates: PrintRates, among: int) -> ReplayedSection:
    planned, found, number = section.planned, judged.found, section.number
    beads = planned.beads
    sampled = pack_layers(found, (beads.spacing_min, beads.spacing_max), section.begun, MAX_SEGMENTS // among)
    words = [
        describe_layer(layer, found, section.part.counts, _seconds(section, rates, layer.number))
        for layer in sampled.layers
    ]
    pictures = draw_images(judged, round(LARGEST * min(1.0, (2 / among) ** 0.5)))
    return ReplayedSection(
        section, size=found.panel.size, layers=len(found.panel.frame.tops), sampled=len(sampled.layers),
        judged=judged, pictures=pictures, scales=_scales(pictures, sampled, number),
        facts=describe_picture(planned, judged), beads=_bars(bead_shares(section.part.counts)),
        standing=describe_stability(planned), sway=sway_chart(planned, f"steady-{number}"),
        data=_data(sampled, words), paper=_paper(sampled, words, number), notes=found.notes,
    )  # fmt: skip


def _seconds(section: Section, rates: PrintRates, layer: int) -> str:
    """Format the duration of a layer, including all panels in that layer."""
    seconds = f"{rates.layer_seconds[section.begun + layer]:.0f} s"
    return f"{seconds} for all panels" if section.shared else seconds


def _paper(sampled: LayerSet, words: Sequence[str], number: int) -> list[tuple[Markup, str]]:
    places = sorted({round(i * (len(words) - 1) / (ON_PAPER - 1)) for i in range(ON_PAPER)})
    return [(draw_layer_svg(sampled, i, f"paper-{number}-{i}", words[i]), words[i]) for i in places]


def _bars(shares: Sequence[tuple[int, float]]) -> list[tuple[int, float, Markup]]:
    largest = max((share for _, share in shares), default=1.0)
    return [(number, share, draw_bar(share / largest)) for number, share in shares]


def _data(sampled: LayerSet, words: Sequence[str]) -> Markup:
    """Encode layers as JSON that is safe inside a script element."""
    text = json.dumps(encode_layers(sampled) | {"words": list(words)}, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace("&", "\\u0026"))


def _scales(pictures: PageImages, sampled: LayerSet, number: int) -> dict[str, Markup]:
    """Draw the colour scales of the maps and of the layers."""
    reach, (thin, thick), (low, high) = pictures.difference_end, pictures.thickness_ends, sampled.spacing
    shades, end = pictures.difference_colours, f"{reach:g}"
    rows = {
        "difference": (shades, f"−{end}", f"+{end}", "L*: darker, brighter", f"scale-l-{number}"),
        "thickness": (pictures.thickness_colours, f"{thin:.2f}", f"{thick:.2f}", "mm", f"scale-t-{number}"),
        "spacing": (spacing_colours(), f"{low:.2f}", f"{high:.2f}", "spacing, mm", f"scale-p-{number}"),
    }
    return {name: draw_colour_scale(*row) for name, row in rows.items()}
