"""Load jobs and profiles, and complete the settings of a panel.

A job names its machine and its material; each is a shipped profile or a file from the user. `settle`
combines the three: it fills in every open value and rejects contradictions before a picture is opened.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TypeVar

import msgspec

from pathgen.errors import PathgenError, nearest
from pathgen.files.inputs import input_name, read_input_text
from pathgen.settings.constraints import machine_faults, material_faults, setup_faults
from pathgen.settings.job import LISTS, Job
from pathgen.settings.machine import Machine
from pathgen.settings.material import Material
from pathgen.settings.settled import Setup
from pathgen.settings.validation import Fault, format_value, plain, refuse_first, typed

P = TypeVar("P", Machine, Material)
LIMIT = 1 << 20  # bytes; a settings file is a few thousand
PACKAGE = Path(__file__).resolve().parent.parent
DEEPEST = 20  # names in a dotted key; the memory of the parser grows with their square
_PART = r"""(?:[\w-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')"""
_DEEP_KEY = re.compile(rf"(?<![\w-]){_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{{DEEPEST}}}")
_TOML_PLACE = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)$")


def machine_names() -> list[str]:
    """List the names of the shipped machine profiles, sorted.

    Examples
    --------
    >>> machine_names()
    ['long-tube', 'moving-gantry', 'moving-table', 'ngc-lab']
    """
    return sorted(path.stem for path in _shipped().glob("*.toml"))


def material_names() -> list[str]:
    """List the names of the shipped material profiles, sorted.

    Examples
    --------
    >>> material_names()
    ['petg-white', 'pla-natural', 'pla-white']
    """
    return sorted(path.stem for path in (_shipped() / "materials").glob("*.toml"))


def profile_text(name: str) -> str:
    """Return the text of a shipped profile with its comments, as the starting point for a new profile.

    Parameters
    ----------
    name : str
        Name of a machine or a material.

    Raises
    ------
    PathgenError
        For an unknown name.

    Examples
    --------
    >>> print(profile_text("ngc-lab").splitlines()[0])
    # A laboratory machine with a strict RS-274/NGC controller: the filament drive is its linear axis A.
    """
    materials = material_names()
    folder = _shipped() / "materials" if name in materials else _shipped()
    known = [*machine_names(), *materials]
    if name not in known:
        raise _unknown(name, "profile", known, ", ".join(known))
    return (folder / f"{name}.toml").read_text(encoding="utf-8")


def load_machine(name_or_path: str | Path) -> Machine:
    """Load a machine profile.

    Parameters
    ----------
    name_or_path : str or Path
        A shipped name, or the path of a file: text that ends in ".toml" or contains a path separator.

    Raises
    ------
    PathgenError
        For an unknown name, an unreadable file, an invalid value, or a contradiction in the profile.

    Examples
    --------
    >>> load_machine("moving-table").platform_axis
    'y'
    """
    path = _found(str(name_or_path), "machine", _shipped(), machine_names())
    return _checked(read_table(path), Machine, machine_faults, str(path))


def load_material(name_or_path: str | Path) -> Material:
    """Load a material profile; see `load_machine` for names, files and errors.

    Examples
    --------
    >>> load_material("pla-white").density
    1240.0
    """
    path = _found(str(name_or_path), "material", _shipped() / "materials", material_names())
    return _checked(read_table(path), Material, material_faults, str(path))


def load_job(path: str | Path) -> Job:
    """Load a job file of one panel. Paths in it are relative to its folder.

    Raises
    ------
    PathgenError
        For an unreadable file or an invalid value. Contradictions with the machine are left to `settle`.
    """
    table = read_table(Path(path))
    if "panel" in table:
        hint = "use pathgen.load_panels"
        raise PathgenError(
            "the job file describes several panels", where=str(path), allowed="one panel", hint=hint
        )
    return anchored(typed(table, Job, str(path)), path)


def anchored(job: Job, path: str | Path) -> Job:
    """Resolve the paths in a job relative to the folder of its file, `path`."""
    keys = [key for key in ("machine", "material") if _is_file(getattr(job, key))]
    keys += [key for key in ("outline", "isolate") if any(mark in getattr(job, key) for mark in "./\\")]
    return msgspec.structs.replace(job, **{key: str(Path(path).parent / getattr(job, key)) for key in keys})


def job_from(values: Mapping[str, object], where: str, base: Job | None = None) -> Job:
    """Build a job from keys and values, such as command-line options.

    Parameters
    ----------
    values : mapping
        Keys of a job file, with typed values or text. A value of None counts as missing.
    where : str
        Named in an error, such as "command line".
    base : Job, optional
        Job that has the other values; by default the default values.

    Examples
    --------
    >>> job_from({"thickest": "2.4", "layer": None}, "command line").thickest
    2.4
    """
    known = {key: value for key, value in values.items() if value is not None}
    for key in LISTS:
        if isinstance(known.get(key), str):
            known[key] = str(known[key]).split(",")
    if isinstance(known.get("band"), str):
        known["band"] = bands_from(str(known["band"]), where)
    return typed((plain(base) if base else {}) | known, Job, where, from_text=True)


def bands_from(text: str, where: str) -> list[dict[str, str]]:
    """Parse bands in the format of options and program headers, and keep values as text.

    Raises
    ------
    PathgenError
        For text that is not a list of keys and values.

    Examples
    --------
    >>> bands_from("above=20,feed=30 above=40,feed=40", "command line")
    [{'above': '20', 'feed': '30'}, {'above': '40', 'feed': '40'}]
    """
    bands = []
    for part in text.replace(";", " ").split():
        pairs = [item.partition("=") for item in part.split(",")]
        if not all(key and mark and value for key, mark, value in pairs):
            allowed = "a band such as above=20,feed=30"
            what = f"band {format_value(part)} is not a list of key=value pairs"
            raise PathgenError(what, where=f"{where}: band", allowed=allowed)
        bands.append({key: value for key, _, value in pairs})
    return bands


def settle(job: Job, machine: Machine | None = None, material: Material | None = None) -> Setup:
    """Complete the settings of one panel: fill in open values, and check all values together.

    Parameters
    ----------
    job : Job
    machine : Machine, optional
        Used instead of the machine that the job names.
    material : Material, optional
        Used instead of the material that the job names.

    Returns
    -------
    Setup
        Open values are filled in: bead spacings from the nozzle diameter (1.05, and 0.70 to 1.55 times,
        unless the machine has measured limits), feed and overhang from the machine, packing and temperatures
        from the material, and a rim 1 mm thicker than `thickest`. A platform without a heater has 0 °C.

    Raises
    ------
    PathgenError
        For values out of range and for contradictions; records made in Python are checked like files.

    Examples
    --------
    >>> settle(Job(thickest=2.5)).rim.rim_thickness
    3.5
    """
    job = typed(plain(job), Job, "job")
    machine = _checked_again(machine, machine_faults) if machine else load_machine(job.machine)
    material = _checked_again(material, material_faults) if material else load_material(job.material)
    nozzle, heat = machine.hot_end.nozzle_diameter, material.temperature
    defaults = {
        "spacing": round(1.05 * nozzle, 9),  # 0.42, not 0.42000000000000004, when printed
        "spacing_min": machine.hot_end.spacing_min or round(0.70 * nozzle, 9),
        "spacing_max": machine.hot_end.spacing_max or round(1.55 * nozzle, 9),
        "feed": machine.wall_feed,
        "overhang": machine.overhang,
        "packing": material.packing,
        "rim_thickness": job.thickest + 1.0,
        "nozzle_temperature": heat.nozzle,
        "platform_temperature": heat.platform if machine.heaters.platform_max else 0.0,
    }
    filled = {key: value for key, value in defaults.items() if getattr(job, key) is None}
    setup = Setup.of(msgspec.structs.replace(job, **filled), machine, material)
    refuse_first(setup_faults(setup), "job")
    return setup


def digest(setup: Setup) -> str:
    """Return a digest of the settings: 16 hexadecimal digits that depend only on the values.

    The digest covers the contents of the profiles, not their names: a copy of a shipped profile has the same
    digest until one of its values is changed.

    Examples
    --------
    >>> digest(settle(Job())) == digest(settle(Job(thickest=2.9)))
    False
    """
    records = {"job": plain(setup.job), "machine": plain(setup.machine), "material": plain(setup.material)}
    del records["job"]["machine"], records["job"]["material"]
    if not setup.machine.dialect.own_effects:  # as in programs that are older than this key
        dialect = plain(setup.machine.dialect)
        del dialect["own_effects"]
        records["machine"]["dialect"] = dialect
    text = json.dumps(records, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _checked(values: object, kind: type[P], faults: Callable[[P], Iterator[Fault]], where: str) -> P:
    profile = typed(values, kind, where)
    refuse_first(faults(profile), where)
    return profile


def _checked_again(profile: P, faults: Callable[[P], Iterator[Fault]]) -> P:
    """Check a profile that was made in Python."""
    kind = type(profile).__name__.lower()
    profile = typed(plain(profile), type(profile), f"{kind} {format_value(profile.name)}")
    refuse_first(faults(profile), f"{kind} {profile.name}")
    return profile


def _shipped() -> Path:
    """Find the folder of the shipped profiles, in an installed package or in a source checkout."""
    for folder in (PACKAGE / "machines", PACKAGE.parent / "machines"):
        if (folder / "materials").is_dir():
            return folder
    raise PathgenError("the shipped profiles are missing", where=str(PACKAGE), hint="reinstall pathgen")


def _is_file(name: str) -> bool:
    return name.endswith(".toml") or "/" in name or "\\" in name


def _found(name: str, what: str, folder: Path, known: list[str]) -> Path:
    """Return the profile file for a name or path."""
    if name in known:
        return folder / f"{name}.toml"
    if _is_file(name):
        stem = Path(name).stem
        if stem in known and not Path(name).exists():
            hint = f"for the shipped profile, write {stem} without .toml"
            raise PathgenError("no such file", where=name, hint=hint)
        return Path(name)
    raise _unknown(name, what, known, f"{', '.join(known)}, or a .toml file")


def _unknown(name: str, what: str, known: list[str], allowed: str) -> PathgenError:
    begun = [f"did you mean {k!r}?" for k in known if name and k.startswith(name)]
    near = nearest(name, known) or "".join(begun[:1])
    hint = f"{near} run `pathgen machines` for a list"
    return PathgenError(f"unknown {what} {format_value(name)}", where=what, allowed=allowed, hint=hint)


def read_table(path: Path) -> dict[str, object]:
    """Read a TOML file.

    Raises
    ------
    PathgenError
        If the file cannot be read, is larger than 1 MiB or is not TOML in UTF-8.
    """
    return parse_table(read_input_text(path, "a TOML file", LIMIT), input_name(path))


def parse_table(text: str, where: str) -> dict[str, object]:
    """Parse TOML; `where` names its file in errors."""
    if key := _DEEP_KEY.search(text):
        place = f"{where}, line {text.count(chr(10), 0, key.start()) + 1}"
        what = f"a dotted key has more than {DEEPEST} parts"
        raise PathgenError(what, where=place, allowed="shorter keys")
    try:
        return tomllib.loads(text)
    except RecursionError:
        allowed = "at most a few levels of nesting"
        raise PathgenError(
            "the tables or arrays are nested too deeply", where=where, allowed=allowed
        ) from None
    except ValueError as error:
        found = _TOML_PLACE.search(str(error))
        lines = text.rstrip().split("\n")
        number = int(found[1]) if found and found[1] else len(lines)
        line = lines[min(number, len(lines)) - 1]
        hint = "write text in quotes and tables in [brackets]"
        if re.search(r"=\s*[+-]?\d*,\d", line):
            hint = "write decimals with a point, as in 0.8"
        what = f"not TOML: {_TOML_PLACE.sub('', str(error))}: {format_value(line.strip())}"
        place, allowed = f"{where}, line {number}", "lines of the form key = value"
        raise PathgenError(what, where=place, allowed=allowed, hint=hint) from None
