"""The page: one HTML file that tells all about a print, from its written program.

It stands by itself: style, script, pictures and layers are inside, nothing is fetched, and a policy in its
head forbids that anything were. It reads on a phone and on paper, by keyboard and by screen reader.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from pathgen.job import Result
from pathgen.report import page_layers
from pathgen.report.page_charts import bar, scale
from pathgen.report.page_data import Images, bead_shares, digest_of, images, judge, paces
from pathgen.report.page_words import (
    after,
    answers,
    facts,
    kinds,
    layer_words,
    melt_chart,
    neighbours,
    settings,
    span,
    standing_words,
    steady_chart,
    time_chart,
)
from pathgen.settings import Machine, Material
from pathgen.source import Source
from pathgen.summary import clock

PARTS = files("pathgen.report")
ON_PAPER = 4  # layers drawn for paper


@dataclass(frozen=True, slots=True)
class Item:
    """One thing of the safety checklist: what it is, and `state`, such as "holds" or "to tick"."""

    text: str
    state: str

    @property
    def open(self) -> bool:
        """A person has to see to it."""
        return self.state == TO_TICK


TO_TICK = "to tick"


def page(
    result: Result,
    program: str | Path,
    *,
    source: Source | None = None,
    name: str | None = None,
    safety: Sequence[tuple[str, str]] | None = None,
) -> bytes:
    """Make the page of a print.

    Parameters
    ----------
    result : Result
        Of several panels the first is shown, and all are listed.
    program : path
        The program as it was written: what the page shows is replayed from it.
    source : path or (rows, cols) array, optional
        What the panel was made of; needed for the wanted picture where the job's aim is the picture.
    name : str, optional
        What to call the program. By default the name of its file.
    safety : sequence of (text, state), optional
        The thermal-safety checklist; a state of "to tick" gets a box. By default the one that goes with
        machine and material.

    Returns
    -------
    bytes
        UTF-8. The same program gives the same bytes.

    Raises
    ------
    PathgenError
        When the program cannot be read back.
    """
    program = Path(program)
    judged = judge(result, program, source)
    sampled, pace = page_layers.sample(judged.found), paces(judged.found)
    pictures, setup = images(judged), result.planned.setup
    size, digest = digest_of(program)
    words = [layer_words(layer, judged.found, result, pace) for layer in sampled.layers]
    places = sorted({round(i * (len(words) - 1) / (ON_PAPER - 1)) for i in range(ON_PAPER)})
    items = safety_items(setup.machine, setup.material, program) if safety is None else safety
    beads = bead_shares(result)
    most = max((share for _, share in beads), default=1.0)
    script = _part("page.js")
    style = _part("page.css") + _sizes(judged.found.standing.size)
    text = (
        _environment()
        .from_string(_part("page.html.j2"))
        .render(
            version=version("pathgen"),
            result=result,
            summary=result.summary,
            answers=answers(result, judged),
            facts=facts(result, judged),
            judged=judged,
            pictures=pictures,
            scales=_scales(pictures, sampled),
            sampled=sampled,
            words=words,
            data=_data(sampled, words),
            paper=[(page_layers.drawn(sampled, i, f"paper-{i}", words[i]), words[i]) for i in places],
            kinds=kinds(judged.found, bar),
            charts={
                "time": time_chart(pace),
                "melt": melt_chart(pace, setup.machine),
                "steady": steady_chart(result),
            },
            beads=[(number, share, bar(share / most)) for number, share in beads],
            standing=standing_words(result),
            items=[Item(*item) for item in items],
            guidance=_guidance(),
            after=after(result),
            settings=settings(result),
            panels=neighbours(result),
            program=name or program.name,
            size=size,
            digest=digest,
            style=Markup(style),
            script=Markup(script),
            policy=_policy(style, script),
        )
    )
    return text.encode("utf-8")


def safety_items(machine: Machine, material: Material, program: Path | None = None) -> list[tuple[str, str]]:
    """List what has to be so before the machine runs.

    Parameters
    ----------
    machine, material
    program : path, optional
        Held against the rules that a program's text can prove.

    Returns
    -------
    list of (text, state)
        Empty where this installation has no such list.
    """
    module, checks = _module("pathgen.proof.safety"), _module("pathgen.proof.checklist")
    if module is None:
        return []
    checked = checks.check_program(program, machine, material) if checks and program else None
    made = module.safety(machine, material, checked)
    return [(p.text, p.state) for p in made.proved] + [(item.text, TO_TICK) for item in made.items]


def _guidance() -> list[str]:
    """Give what the checklist points at, and what it does not replace."""
    module = _module("pathgen.proof.safety")
    return [] if module is None else [*module.GUIDANCE, module.REPLACES_NOTHING]


def _module(name: str) -> Any:
    """Load a module that an installation may lack; what that module itself lacks is still an error."""
    try:
        return import_module(name)
    except ModuleNotFoundError as error:
        if error.name != name:
            raise
        return None


def _part(name: str) -> str:
    return PARTS.joinpath(name).read_text(encoding="utf-8")


def _environment() -> Environment:
    made = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    made.filters |= {"clock": clock, "span": span}
    return made


def _sizes(size: tuple[float, float]) -> str:
    """Give the style the panel's size: on paper pictures stand in the panel's own, where it fits."""
    width, height = size
    return f":root{{--wide:{width:g}mm;--over:{width / height:.4f}}}\n"


def _policy(style: str, script: str) -> str:
    """Forbid whatever is not in the file: only this style and this script, by their digests."""
    style_digest, script_digest = (
        base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
        for text in (style, script)
    )
    return (
        f"default-src 'none'; img-src data:; style-src 'sha256-{style_digest}'; "
        f"script-src 'sha256-{script_digest}'; base-uri 'none'; form-action 'none'"
    )


def _data(sampled: page_layers.Sampled, words: Sequence[str]) -> Markup:
    """Spell what the script draws as JSON; no text in it can end the element it stands in."""
    text = json.dumps(page_layers.packed(sampled) | {"words": list(words)}, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace("&", "\\u0026"))


def _scales(pictures: Images, sampled: page_layers.Sampled) -> dict[str, Markup]:
    """Draw the colour scales."""
    reach, (thin, thick), (low, high) = pictures.difference_end, pictures.thickness_ends, sampled.pitch
    return {
        "difference": scale(
            pictures.difference_colours, f"−{reach:g}", f"+{reach:g}", "L*: darker, brighter", "scale-l"
        ),
        "thickness": scale(pictures.thickness_colours, f"{thin:.2f}", f"{thick:.2f}", "mm", "scale-t"),
        "pitch": scale(page_layers.colours(), f"{low:.2f}", f"{high:.2f}", "pitch, mm", "scale-p"),
    }
