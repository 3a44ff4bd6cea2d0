"""The page's sections of panels: one for each, copies in one; its pictures, its layers, how it stands.

Glossary. *Section*: what the page shows of a panel and of its copies, which are made of the same map.
*Begun*: the program's layers before a panel's own first one, which are other panels' where they are made in
turn.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from pathgen.motion import Tally
from pathgen.plan.model import Part, Planned, Result
from pathgen.report.page_charts import Chart, bar, scale
from pathgen.report.page_curves import steady_chart
from pathgen.report.page_data import (
    Judged,
    Paces,
    PageImages,
    bead_shares,
    draw_images,
    judge,
    measure_paces,
    read_text,
)
from pathgen.report.page_layers import MOST_SEGMENTS, Sampled, drawn, pack_layers, packed, spacing_colours
from pathgen.report.page_words import Stands, facts, layer_words, standing_words

LARGEST = 1000  # dots of a picture's longer side; more than two panels share, so that the file stays small
ON_PAPER = 3  # layers drawn for paper


@dataclass(frozen=True, slots=True)
class Section:
    """A panel, and which panels of the program are like it.

    Attributes
    ----------
    number : int
        Of the section, from 1.
    panels : tuple of int
        Numbers of the panels, from 1, as ``pathgen replay --panel`` has them; the first is the one shown.
    part : Part
    begun : int
    shared : bool
        Its layers grow together with other panels'.
    """

    number: int
    panels: tuple[int, ...]
    part: Part
    begun: int
    shared: bool

    @property
    def name(self) -> str:
        """What to call it among several."""
        *most, last = map(str, self.panels)
        return f"Panels {', '.join(most)} and {last}" if most else f"Panel {last}"

    @property
    def planned(self) -> Planned:
        """The panel as it was planned."""
        return self.part.planned


@dataclass(frozen=True, slots=True, eq=False)
class Common:
    """What the text tells of the whole program, whichever panel is looked at."""

    tally: Tally
    seconds: float
    paces: Paces


@dataclass(frozen=True, slots=True, eq=False)
class ReplayedSection:
    """A section with all that the page shows in it.

    Attributes
    ----------
    section : Section
    size : (float, float)
        As the viewer sees the panel, mm.
    layers, sampled : int
        All of the panel's, and those there are to look through.
    rms, most : float
        Of the difference in lightness.
    solved : bool
        The wall was solved for the picture.
    pictures : Images
    scales : dict of str to Markup
    facts : list of str
    beads : list of (number, share, bar)
    standing : Stands
    sway : Chart or None
    data : Markup
        What the script draws.
    paper : list of (drawing, words)
    notes : tuple of str
        What the replay remarks.
    """

    section: Section
    size: tuple[float, float]
    layers: int
    sampled: int
    rms: float
    most: float
    solved: bool
    pictures: PageImages
    scales: dict[str, Markup]
    facts: list[str]
    beads: list[tuple[int, float, Markup]]
    standing: Stands
    sway: Chart | None
    data: Markup
    paper: list[tuple[Markup, str]]
    notes: tuple[str, ...]


def panel_sections(result: Result) -> list[Section]:
    """Gather a program's panels, copies together, in the order of their first.

    Examples
    --------
    >>> import io
    >>> import numpy as np
    >>> from pathgen.job import plan, write
    >>> from pathgen.settings import Job
    >>> result = write(plan(np.full((20, 30), 1.2), Job(brim=0.0)), io.BytesIO())
    >>> [(each.number, each.panels, each.begun) for each in panel_sections(result)]
    [(1, (1,), 0)]
    """
    alike: dict[int, list[int]] = {}
    for number, part in enumerate(result.parts):
        alike.setdefault(id(part.planned.panel), []).append(number)
    in_turn = result.platform.in_turn
    layers = [len(part.planned.layers) for part in result.parts]
    return [
        Section(
            number,
            tuple(each + 1 for each in panels),
            result.parts[panels[0]],
            sum(layers[: panels[0]]) if in_turn else 0,
            len(layers) > 1 and not in_turn,
        )
        for number, panels in enumerate(alike.values(), start=1)
    ]


def replay_sections(result: Result, program: Path) -> tuple[list[ReplayedSection], Common]:
    """Read a program, lay each section's panel down, and work out all that is shown.

    Parameters
    ----------
    result : Result
    program : path

    Returns
    -------
    (list of Shown, Common)
    """
    every, common, out = panel_sections(result), None, []
    several, text = len(result.parts) > 1, read_text(result.platform.setup, program)
    for section in every:
        judged = judge(section.planned, text, section.panels[0] if several else None)
        if common is None:
            common = Common(judged.found.tally, judged.found.seconds, measure_paces(judged.found))
        out.append(_shown(section, judged, common.paces, len(every)))
    assert common is not None, "a program has a panel"
    return out, common


def _shown(section: Section, judged: Judged, pace: Paces, among: int) -> ReplayedSection:
    planned, found, number = section.planned, judged.found, section.number
    beads = planned.beads
    sampled = pack_layers(
        found, (beads.spacing_min, beads.spacing_max), section.begun, MOST_SEGMENTS // among
    )
    words = [
        layer_words(layer, found, section.part.counts, _seconds(section, pace, layer.number))
        for layer in sampled.layers
    ]
    pictures = draw_images(judged, round(LARGEST * min(1.0, (2 / among) ** 0.5)))
    return ReplayedSection(
        section,
        size=found.standing.size,
        layers=len(found.standing.frame.tops),
        sampled=len(sampled.layers),
        rms=judged.rms,
        most=judged.most,
        solved=judged.solved,
        pictures=pictures,
        scales=_scales(pictures, sampled, number),
        facts=facts(planned, judged),
        beads=_bars(bead_shares(section.part.counts)),
        standing=standing_words(planned),
        sway=steady_chart(planned, f"steady-{number}"),
        data=_data(sampled, words),
        paper=_paper(sampled, words, number),
        notes=found.notes,
    )


def _seconds(section: Section, pace: Paces, layer: int) -> str:
    """Say how long a layer takes; where others grow with it, theirs is in it."""
    told = f"{pace.layer_seconds[section.begun + layer]:.0f} s"
    return f"{told} for all panels" if section.shared else told


def _paper(sampled: Sampled, words: Sequence[str], number: int) -> list[tuple[Markup, str]]:
    places = sorted({round(i * (len(words) - 1) / (ON_PAPER - 1)) for i in range(ON_PAPER)})
    return [(drawn(sampled, i, f"paper-{number}-{i}", words[i]), words[i]) for i in places]


def _bars(shares: Sequence[tuple[int, float]]) -> list[tuple[int, float, Markup]]:
    most = max((share for _, share in shares), default=1.0)
    return [(number, share, bar(share / most)) for number, share in shares]


def _data(sampled: Sampled, words: Sequence[str]) -> Markup:
    """Spell what the script draws as JSON; no text in it can end the element it stands in."""
    text = json.dumps(packed(sampled) | {"words": list(words)}, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace("&", "\\u0026"))


def _scales(pictures: PageImages, sampled: Sampled, number: int) -> dict[str, Markup]:
    """Draw the colour scales."""
    reach, (thin, thick), (low, high) = pictures.difference_end, pictures.thickness_ends, sampled.spacing
    return {
        "difference": scale(
            pictures.difference_colours,
            f"−{reach:g}",
            f"+{reach:g}",
            "L*: darker, brighter",
            f"scale-l-{number}",
        ),
        "thickness": scale(
            pictures.thickness_colours, f"{thin:.2f}", f"{thick:.2f}", "mm", f"scale-t-{number}"
        ),
        "spacing": scale(spacing_colours(), f"{low:.2f}", f"{high:.2f}", "spacing, mm", f"scale-p-{number}"),
    }
