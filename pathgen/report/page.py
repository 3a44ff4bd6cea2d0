"""The self-contained HTML report of a print, from its written program.

Style, script, pictures and layers are inside the file. Nothing is fetched, and a content security policy
forbids it. The report works on a phone, on paper, by keyboard and with a screen reader.
"""

from __future__ import annotations

import base64
import hashlib
import re
from importlib.resources import files
from pathlib import Path

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from pathgen.files.versions import package_version
from pathgen.program.result import Result
from pathgen.program.summary import format_duration
from pathgen.report.page_curves import melt_chart, time_chart
from pathgen.report.page_data import file_digest
from pathgen.report.page_panels import ReplayedSection, replay_sections
from pathgen.report.page_safety import list_checks, list_steps_after
from pathgen.report.page_words import (
    format_seconds,
    key_figures,
    list_panels,
    list_settings,
    page_title,
    time_by_kind,
)

PARTS = files("pathgen.report")
_UNITS = re.compile(r"(?<=\d) (?=(?:mm|m|s|h|min|g|Hz|%)(?!\w))|(?<=\bh) (?=\d)")


def render_page(result: Result, program: str | Path, *, name: str | None = None) -> bytes:
    """Render the report of a print.

    Parameters
    ----------
    result : Result
        Each panel gets a section; copies share one.
    program : path
        The written program. Pictures, layers and times are computed from its text.
    name : str, optional
        Name of the program in the report; by default, the name of its file.

    Returns
    -------
    bytes
        HTML in UTF-8. The same program gives the same bytes.

    Raises
    ------
    PathgenError
        If the program cannot be read back.
    """
    program, setup = Path(program), result.planned.setup
    panels, totals = replay_sections(result, program)
    size, digest = file_digest(program)
    planned, replayed = result.summary.notes, [note for panel in panels for note in panel.notes]
    assert isinstance(planned, list)
    script, style = _read_part("page.js"), _read_part("page.css") + "".join(map(_print_size, panels))
    templates = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    templates.filters |= {"clock": format_duration, "span": format_seconds, "bind_units": bind_units}
    text = templates.from_string(_read_part("page.html.j2")).render(
        summary=result.summary, title=page_title(result), panels=panels, entries=list_panels(result),
        figures=key_figures(result, totals.seconds, float(totals.tally.filament.sum())),
        notes=list(dict.fromkeys([*planned, *replayed])), seconds=totals.seconds,
        kinds=time_by_kind(totals.tally, setup), heaters=setup.machine.heaters,
        time=time_chart(totals.rates), melt=melt_chart(totals.rates, setup.machine),
        checks=list_checks(setup.machine, setup.material, program), steps=list_steps_after(result),
        settings=list_settings(result), program=name or program.name, size=size, digest=digest,
        version=package_version(), style=Markup(style), script=Markup(script), policy=_policy(style, script),
    )  # fmt: skip
    return text.encode("utf-8")


def bind_units(words: str) -> str:
    r"""Replace the space between a number and its unit by a no-break space.

    Examples
    --------
    >>> bind_units("7 h 01 min, 2 beads").split(" ")
    ['7\xa0h\xa001\xa0min,', '2', 'beads']
    """
    return _UNITS.sub("\u00a0", words)


def _read_part(name: str) -> str:
    return PARTS.joinpath(name).read_text(encoding="utf-8")


def _print_size(panel: ReplayedSection) -> str:
    """Return a CSS rule that prints pictures at the panel's size if the paper is large enough."""
    width, height = panel.size
    return f"#shown-{panel.section.number}{{--wide:{width:g}mm;--over:{width / height:.4f}}}\n"


def _policy(style: str, script: str) -> str:
    """Return a content security policy that allows only the given style and script, by digest."""
    digests = (hashlib.sha256(text.encode("utf-8")).digest() for text in (style, script))
    styles, scripts = (f"'sha256-{base64.b64encode(digest).decode('ascii')}'" for digest in digests)
    allowed = f"default-src 'none'; img-src data:; style-src {styles}; script-src {scripts}"
    return f"{allowed}; base-uri 'none'; form-action 'none'"
