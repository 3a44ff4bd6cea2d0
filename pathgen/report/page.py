"""The page: one HTML file that tells all about a print, from its written program.

It stands by itself: style, script, pictures and layers are inside, nothing is fetched, and a policy in its
head forbids that anything were. It reads on a phone and on paper, by keyboard and by screen reader.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from pathlib import Path

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from pathgen.job import Result
from pathgen.report.page_care import after, before
from pathgen.report.page_charts import bar, scale
from pathgen.report.page_curves import melt_chart, steady_chart, time_chart
from pathgen.report.page_data import Images, bead_shares, digest_of, images, judge, paces
from pathgen.report.page_layers import Sampled, colours, drawn, packed, sample
from pathgen.report.page_words import (
    answers,
    facts,
    kinds,
    layer_words,
    neighbours,
    settings,
    span,
    standing_words,
)
from pathgen.source import Source
from pathgen.summary import clock

PARTS = files("pathgen.report")
ON_PAPER = 3  # layers drawn for paper


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
        machine, material and program.

    Returns
    -------
    bytes
        UTF-8. The same program gives the same bytes.

    Raises
    ------
    PathgenError
        When the program cannot be read back.
    """
    program, setup = Path(program), result.planned.setup
    judged = judge(result, program, source)
    found = judged.found
    beads = result.planned.beads
    sampled, pace = sample(found, (beads.pitch_min, beads.pitch_max)), paces(found)
    words = [layer_words(layer, found, result, pace) for layer in sampled.layers]
    size, digest = digest_of(program)
    told = {
        "result": result,
        "summary": result.summary,
        "judged": judged,
        "answers": answers(result, judged),
        "facts": facts(result, judged),
        "kinds": kinds(found, bar),
        "time": time_chart(pace),
        "melt": melt_chart(pace, setup.machine),
        "sway": steady_chart(result),
        "standing": standing_words(result),
        "before": before(setup.machine, setup.material, program, safety),
        "after": after(result),
        "settings": settings(result),
        "panels": neighbours(result),
        "program": name or program.name,
        "size": size,
        "digest": digest,
    }
    shown = {"pictures": images(judged), "sampled": sampled, "beads": _bars(bead_shares(result))}
    return _rendered(told | shown | _layers(sampled, words), found.standing.size)


def _layers(sampled: Sampled, words: Sequence[str]) -> dict[str, object]:
    """Give the layers: all as data for the script, some drawn for paper."""
    places = sorted({round(i * (len(words) - 1) / (ON_PAPER - 1)) for i in range(ON_PAPER)})
    return {
        "data": _data(sampled, words),
        "paper": [(drawn(sampled, i, f"paper-{i}", words[i]), words[i]) for i in places],
    }


def _bars(shares: Sequence[tuple[int, float]]) -> list[tuple[int, float, Markup]]:
    most = max((share for _, share in shares), default=1.0)
    return [(number, share, bar(share / most)) for number, share in shares]


def _rendered(told: dict[str, object], size: tuple[float, float]) -> bytes:
    """Put everything into its place."""
    script, style = _part("page.js"), _part("page.css") + _sizes(size)
    pictures, sampled = told["pictures"], told["sampled"]
    assert isinstance(pictures, Images) and isinstance(sampled, Sampled)
    made = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    made.filters |= {"clock": clock, "span": span}
    text = made.from_string(_part("page.html.j2")).render(
        told,
        version=_version(),
        scales=_scales(pictures, sampled),
        style=Markup(style),
        script=Markup(script),
        policy=_policy(style, script),
    )
    return text.encode("utf-8")


def _version() -> str:
    try:
        return version("pathgen")
    except PackageNotFoundError:  # run from its folder, not installed
        return ""


def _part(name: str) -> str:
    return PARTS.joinpath(name).read_text(encoding="utf-8")


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


def _data(sampled: Sampled, words: Sequence[str]) -> Markup:
    """Spell what the script draws as JSON; no text in it can end the element it stands in."""
    text = json.dumps(packed(sampled) | {"words": list(words)}, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace("&", "\\u0026"))


def _scales(pictures: Images, sampled: Sampled) -> dict[str, Markup]:
    """Draw the colour scales."""
    reach, (thin, thick), (low, high) = pictures.difference_end, pictures.thickness_ends, sampled.pitch
    return {
        "difference": scale(
            pictures.difference_colours, f"−{reach:g}", f"+{reach:g}", "L*: darker, brighter", "scale-l"
        ),
        "thickness": scale(pictures.thickness_colours, f"{thin:.2f}", f"{thick:.2f}", "mm", "scale-t"),
        "pitch": scale(colours(), f"{low:.2f}", f"{high:.2f}", "pitch, mm", "scale-p"),
    }
