"""The page: one HTML file that tells all about a print, from its written program.

It stands by itself: style, script, pictures and layers are inside, nothing is fetched, and a policy in its
head forbids that anything were. It reads on a phone and on paper, by keyboard and by screen reader.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from pathlib import Path

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from pathgen.plan.model import Result
from pathgen.program.summary import format_duration
from pathgen.report.page_charts import bar
from pathgen.report.page_curves import melt_chart, time_chart
from pathgen.report.page_data import digest_of
from pathgen.report.page_panels import ReplayedSection, replay_sections
from pathgen.report.page_safety import after, list_before
from pathgen.report.page_words import answers, kind_rows, list_settings, neighbours, span, title

PARTS = files("pathgen.report")
_UNITS = re.compile(r"(?<=\d) (?=(?:mm|m|s|h|min|g|Hz|%)(?!\w))|(?<=\bh) (?=\d)")


def page(
    result: Result,
    program: str | Path,
    *,
    name: str | None = None,
    safety: Sequence[tuple[str, str]] | None = None,
) -> bytes:
    """Make the page of a print.

    Parameters
    ----------
    result : Result
        Each panel has a section of its own; copies share one.
    program : path
        The program as it was written: what the page shows is replayed from it.
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
    panels, common = replay_sections(result, program)
    size, digest = digest_of(program)
    planned, replayed = result.summary["notes"], [note for panel in panels for note in panel.notes]
    assert isinstance(planned, list)
    return _rendered(
        {
            "summary": result.summary,
            "title": title(result),
            "answers": answers(result, common.seconds, float(common.tally.filament.sum())),
            "notes": list(dict.fromkeys([*planned, *replayed])),
            "panels": panels,
            "neighbours": neighbours(result),
            "kinds": kind_rows(common.tally, setup, bar),
            "seconds": common.seconds,
            "heaters": setup.machine.heaters,
            "time": time_chart(common.paces),
            "melt": melt_chart(common.paces, setup.machine),
            "before": list_before(setup.machine, setup.material, program, safety),
            "after": after(result),
            "settings": list_settings(result),
            "program": name or program.name,
            "size": size,
            "digest": digest,
        },
        panels,
    )


def _rendered(told: dict[str, object], panels: Sequence[ReplayedSection]) -> bytes:
    """Put everything into its place."""
    script, style = _part("page.js"), _part("page.css") + "".join(map(_sizes, panels))
    made = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    made.filters |= {"clock": format_duration, "span": span, "tied": tied}
    text = made.from_string(_part("page.html.j2")).render(
        told,
        version=_version(),
        style=Markup(style),
        script=Markup(script),
        policy=_policy(style, script),
    )
    return text.encode("utf-8")


def tied(words: str) -> str:
    r"""Tie figures to their units, so that no line ends between them.

    Examples
    --------
    >>> tied("7 h 01 min, 2 beads").split(" ")
    ['7\xa0h\xa001\xa0min,', '2', 'beads']
    """
    return _UNITS.sub("\u00a0", words)


def _version() -> str:
    try:
        return version("pathgen")
    except PackageNotFoundError:  # run from its folder, not installed
        return ""


def _part(name: str) -> str:
    return PARTS.joinpath(name).read_text(encoding="utf-8")


def _sizes(panel: ReplayedSection) -> str:
    """Give the style a panel's size: on paper pictures stand in the panel's own, where it fits."""
    width, height = panel.size
    return f"#shown-{panel.section.number}{{--wide:{width:g}mm;--over:{width / height:.4f}}}\n"


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
