"""Finding, reading and settling the settings of one panel.

A job names its machine and material; each is a shipped profile or a file of one's own. `settle` brings the
three together: every value left open is filled in, every contradiction refused, before a picture is opened.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import msgspec

from pathgen.errors import PathgenError, nearest
from pathgen.files.inputs import input_name, read_input_text
from pathgen.settings.constraints import job_faults, machine_faults, material_faults
from pathgen.settings.job import LISTS, Job
from pathgen.settings.machine import Machine
from pathgen.settings.material import Material
from pathgen.settings.validation import format_value, plain, refuse_first, typed

LIMIT = 1 << 20  # bytes; a settings file is a few thousand
PACKAGE = Path(__file__).resolve().parent.parent
DEEPEST = 20  # names in a dotted key; the parser's memory grows with the square of them
_PART = r"""(?:[\w-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')"""
_DEEP_KEY = re.compile(rf"(?<![\w-]){_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{{DEEPEST}}}")
_TOML_PLACE = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)$")


@dataclass(frozen=True, slots=True)
class Setup:
    """What is made, on what, of what: nothing left open but the panel's size.

    Attributes
    ----------
    job : Job
        Every None filled in, except `width` and `height`, which come from the picture.
    machine : Machine
    material : Material
    """

    job: Job
    machine: Machine
    material: Material

    @property
    def feed(self) -> float:
        """Feed of the image walls, mm/s."""
        assert self.job.feed is not None, "settle fills it in"
        return self.job.feed

    @property
    def layer(self) -> float:
        """Height of the layers, or of the even ones that layers of several heights are measured by, mm."""
        return self.job.layer_like if self.job.layer == "auto" else self.job.layer

    @property
    def overhang(self) -> float:
        """Degrees from the vertical that a layer may lean out over the one below."""
        assert self.job.overhang is not None, "settle fills it in"
        return self.job.overhang

    @property
    def packing(self) -> float:
        """Deposited volume over geometric volume."""
        assert self.job.packing is not None, "settle fills it in"
        return self.job.packing

    @property
    def nozzle_temperature(self) -> float:
        """Nozzle temperature the program begins with, °C."""
        assert self.job.nozzle_temperature is not None, "settle fills it in"
        return self.job.nozzle_temperature

    @property
    def spacing(self) -> float:
        """Spacing a fill aims at, mm."""
        assert self.job.spacing is not None, "settle fills it in"
        return self.job.spacing


def machine_names() -> list[str]:
    """Name the shipped machine profiles, sorted.

    Examples
    --------
    >>> machine_names()
    ['long-tube', 'moving-gantry', 'moving-table', 'ngc-lab']
    """
    return sorted(path.stem for path in _shipped().glob("*.toml"))


def material_names() -> list[str]:
    """Name the shipped material profiles, sorted.

    Examples
    --------
    >>> material_names()
    ['petg-white', 'pla-natural', 'pla-white']
    """
    return sorted(path.stem for path in (_shipped() / "materials").glob("*.toml"))


def profile_text(name: str) -> str:
    """Give a shipped profile's file as it is, comments and all: the start of a profile of one's own.

    Parameters
    ----------
    name : str
        A machine's or a material's name.

    Raises
    ------
    PathgenError
        For a name that is neither.

    Examples
    --------
    >>> print(profile_text("ngc-lab").splitlines()[0])
    # A laboratory machine on a strict RS-274/NGC controller: the filament drive is its linear axis A.
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
        A shipped name; a file where it ends in ".toml" or holds a path separator.

    Raises
    ------
    PathgenError
        For an unknown name, an unreadable file, a wrong value, or a profile that contradicts itself.

    Examples
    --------
    >>> load_machine("moving-table").platform_axis
    'y'
    """
    path = _found(str(name_or_path), "machine", _shipped(), machine_names())
    machine = typed(read_table(path), Machine, str(path))
    refuse_first(machine_faults(machine), str(path))
    return machine


def load_material(name_or_path: str | Path) -> Material:
    """Load a material profile; names, files and refusals as with `load_machine`.

    Examples
    --------
    >>> load_material("pla-white").density
    1240.0
    """
    path = _found(str(name_or_path), "material", _shipped() / "materials", material_names())
    material = typed(read_table(path), Material, str(path))
    refuse_first(material_faults(material), str(path))
    return material


def load_job(path: str | Path) -> Job:
    """Load a job file of one panel. Files it names are looked for from the job file's own folder.

    Raises
    ------
    PathgenError
        For an unreadable file or a wrong value. What contradicts the machine is left to `settle`.
    """
    table = read_table(Path(path))
    if "panel" in table:
        hint = "pathgen.load_panels loads it"
        raise PathgenError("a job of several panels", where=str(path), allowed="one panel", hint=hint)
    return anchored(typed(table, Job, str(path)), path)


def anchored(job: Job, path: str | Path) -> Job:
    """Have the files that a job names looked for from the folder of the job file at `path`."""
    names = {"machine": job.machine, "material": job.material}
    for key in ("outline", "isolate"):
        if any(mark in getattr(job, key) for mark in "./\\"):
            names[key] = getattr(job, key)
    found = {
        key: str(Path(path).parent / name)
        for key, name in names.items()
        if key in ("outline", "isolate") or _is_file(name)
    }
    return msgspec.structs.replace(job, **found)


def job_from(values: Mapping[str, object], where: str, base: Job | None = None) -> Job:
    """Make a job from keys and values, such as a command line's options.

    Parameters
    ----------
    values : mapping
        Keys of a job file; values typed or as text. A value of None counts as not given.
    where : str
        Named in a refusal, such as "command line".
    base : Job, optional
        The job whose values hold where `values` has none; by default the defaults.

    Examples
    --------
    >>> job_from({"thickest": "2.4", "layer": None}, "command line").thickest
    2.4
    """
    given = {key: value for key, value in values.items() if value is not None}
    for key in LISTS:
        if isinstance(given.get(key), str):
            given[key] = str(given[key]).split(",")
    if isinstance(given.get("band"), str):
        given["band"] = bands_from(str(given["band"]), where)
    return typed((plain(base) if base else {}) | given, Job, where, from_text=True)


def bands_from(text: str, where: str) -> list[dict[str, str]]:
    """Read bands as options and headers spell them; their values stay text.

    Raises
    ------
    PathgenError
        For what is no list of keys and values.

    Examples
    --------
    >>> bands_from("above=20,feed=30 above=40,feed=40", "command line")
    [{'above': '20', 'feed': '30'}, {'above': '40', 'feed': '40'}]
    """
    bands = []
    for part in text.replace(";", " ").split():
        pairs = [item.partition("=") for item in part.split(",")]
        if not all(key and mark and value for key, mark, value in pairs):
            allowed = "such as above=20,feed=30"
            raise PathgenError(f"band is {format_value(part)}", where=f"{where}: band", allowed=allowed)
        bands.append({key: value for key, _, value in pairs})
    return bands


def settle(job: Job, machine: Machine | None = None, material: Material | None = None) -> Setup:
    """Bring job, machine and material together.

    Parameters
    ----------
    job : Job
    machine : Machine, optional
        Used in place of the one the job names.
    material : Material, optional
        Likewise.

    Returns
    -------
    Setup
        Values left open are filled in: spacings from the nozzle (1.05, and 0.70 to 1.55 times unless the
        machine
        has them measured), feed and overhang from the machine, packing and temperatures from the material,
        the rim 1 mm thicker than the thickest. A platform without a heater is at 0.

    Raises
    ------
    PathgenError
        For values out of range (records made in Python are checked like files) and for contradictions.

    Examples
    --------
    >>> settle(Job(thickest=2.5)).job.rim_thickness
    3.5
    """
    job = typed(plain(job), Job, "job")
    machine = _checked_machine(machine) if machine else load_machine(job.machine)
    material = _checked_material(material) if material else load_material(job.material)
    nozzle, heat = machine.hot_end.nozzle_diameter, material.temperature
    defaults = {
        "spacing": round(1.05 * nozzle, 9),  # 0.42, not 0.42000000000000004, in what is printed of it
        "spacing_min": machine.hot_end.spacing_min or round(0.70 * nozzle, 9),
        "spacing_max": machine.hot_end.spacing_max or round(1.55 * nozzle, 9),
        "feed": machine.wall_feed,
        "overhang": machine.overhang,
        "packing": material.packing,
        "rim_thickness": job.thickest + 1.0,
        "nozzle_temperature": heat.nozzle,
        "platform_temperature": heat.platform if machine.heaters.platform_max else 0.0,
    }
    open_ones = {key: value for key, value in defaults.items() if getattr(job, key) is None}
    job = msgspec.structs.replace(job, **open_ones)
    refuse_first(job_faults(job, machine, material), "job")
    return Setup(job, machine, material)


def digest(setup: Setup) -> str:
    """Sum up settings in 16 hexadecimal digits: the same for the same settings, anywhere.

    Where a profile was found does not count, what stands in it does: a profile copied to a file of one's own
    has the digest of the shipped one until a value is changed.

    Examples
    --------
    >>> digest(settle(Job())) == digest(settle(Job(thickest=2.9)))
    False
    """
    records = {"job": plain(setup.job), "machine": plain(setup.machine), "material": plain(setup.material)}
    del records["job"]["machine"], records["job"]["material"]
    text = json.dumps(records, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _checked_machine(machine: Machine) -> Machine:
    machine = typed(plain(machine), Machine, f"machine {format_value(machine.name)}")
    refuse_first(machine_faults(machine), f"machine {machine.name}")
    return machine


def _checked_material(material: Material) -> Material:
    material = typed(plain(material), Material, f"material {format_value(material.name)}")
    refuse_first(material_faults(material), f"material {material.name}")
    return material


def _shipped() -> Path:
    """Find the shipped profiles: inside an installed package, or beside it in a checkout."""
    for folder in (PACKAGE / "machines", PACKAGE.parent / "machines"):
        if (folder / "materials").is_dir():
            return folder
    raise PathgenError("the shipped profiles are missing", where=str(PACKAGE), hint="install pathgen again")


def _is_file(name: str) -> bool:
    return name.endswith(".toml") or "/" in name or "\\" in name


def _found(name: str, what: str, folder: Path, known: list[str]) -> Path:
    """Turn a profile's name or path into the file to read."""
    if name in known:
        return folder / f"{name}.toml"
    if _is_file(name):
        stem = Path(name).stem
        if stem in known and not Path(name).exists():
            hint = f"the shipped profile is called {stem!r}, without .toml"
            raise PathgenError("no such file", where=name, hint=hint)
        return Path(name)
    raise _unknown(name, what, known, f"{', '.join(known)}, or a .toml file")


def _unknown(name: str, what: str, known: list[str], allowed: str) -> PathgenError:
    begun = [f"did you mean {k!r}?" for k in known if name and k.startswith(name)]
    near = nearest(name, known) or "".join(begun[:1])
    hint = f"{near} `pathgen machines` lists them"
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
        line_of_it = f"{where}, line {text.count(chr(10), 0, key.start()) + 1}"
        raise PathgenError(f"a key of more than {DEEPEST} names", where=line_of_it, allowed="plain TOML")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise PathgenError("tables or arrays nested too deep", where=where, allowed="plain TOML") from None
    except ValueError as error:
        place = _TOML_PLACE.search(str(error))
        lines = text.rstrip().split("\n")
        number = int(place[1]) if place and place[1] else len(lines)
        line = lines[min(number, len(lines)) - 1]
        comma = re.search(r"=\s*[+-]?\d*,\d", line)
        hint = "decimals are written with a point" if comma else "text stands in quotes, tables in [brackets]"
        raise PathgenError(
            f"not TOML: {_TOML_PLACE.sub('', str(error))}: {format_value(line.strip())}",
            where=f"{where}, line {number}",
            allowed="lines such as: key = value",
            hint=hint,
        ) from None
