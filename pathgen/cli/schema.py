"""The JSON schema of each command's `--json` object: its result, or an error.

The schemas use JSON Schema 2020-12. Figures of a panel and of a replay come from the columns of a study,
where each has its unit and description, so a new figure needs no change here.
"""

from __future__ import annotations

from typing import Any

Schema = dict[str, Any]

DRAFT = "https://json-schema.org/draft/2020-12/schema"
ESTIMATE = (
    "estimate of a coupon, or with _low and _high the ends of its 95 % interval; the key ends in the unit"
)


def command_schema(command: str) -> Schema:
    """Return the schema of a command's JSON object.

    Examples
    --------
    >>> [branch["title"] for branch in command_schema("machines")["oneOf"]]
    ['list of profiles', 'one profile', 'error']
    """
    return {
        "$schema": DRAFT,
        "title": f"pathgen {command} --json",
        "oneOf": [*_RESULTS[command](), _object("error", {"error": _ERROR})],
    }


def _text(description: str) -> Schema:
    return {"type": "string", "description": description}


def _number(description: str, kind: str = "number") -> Schema:
    return {"type": kind, "description": description}


def _optional(schema: Schema) -> Schema:
    kinds = schema["type"] if isinstance(schema["type"], list) else [schema["type"]]
    return schema | {"type": [*kinds, "null"]}


def _list(items: Schema, description: str) -> Schema:
    return {"type": "array", "items": items, "description": description}


def _object(title: str, properties: Schema, optional: Schema | None = None, **patterns: Schema) -> Schema:
    schema: Schema = {
        "title": title,
        "type": "object",
        "properties": properties | (optional or {}),
        "required": list(properties),
        "additionalProperties": False,
    }
    return schema | ({"patternProperties": patterns["patterns"]} if patterns else {})


_ERROR = _object(
    "error",
    {
        "what": _text("what is wrong, with the value"),
        "where": _text("file, key, line or option; may be empty"),
        "allowed": _text("accepted values; may be empty"),
        "hint": _text("what to do next; may be empty"),
        "exit_code": {"enum": [1, 2, 3], "description": "exit code of the process"},
    },
)
_NOTES = _list({"type": "string"}, "notes for the user")
_LINES = _list({"type": "string"}, "sentences for the user")


def _figures(*groups: str, prefix: str = "") -> Schema:
    """Return the schemas of a study's figures, without a prefix of their column names."""
    from pathgen.study.columns import COLUMNS

    kinds: dict[str, str | list[str]] = {"text": ["string", "array"], "count": "integer", "yes/no": "boolean"}
    found = {}
    for column in COLUMNS.values():
        if column.group in groups:
            kind = kinds.get(column.unit, ["number", "string"] if column.name.endswith("_cost") else "number")
            text = column.text if column.unit in ("text", "yes/no") else f"{column.text}; {column.unit}"
            found[column.name.removeprefix(prefix)] = _optional({"type": kind, "description": text})
    return found


def _panel_result(title: str, own: Schema, optional: Schema | None = None) -> Schema:
    required = own | {
        "program": _text("path of the program, - for standard output"),
        "check_warnings": _number("warnings of the program's check", "integer"),
        "notes": _NOTES,
    }
    figures = {key: schema for key, schema in _figures("plan").items() if key not in required}
    panels = {"description": "the same figure of one panel, if there are several"}
    patterns = {r"^panel_[1-9][0-9]*_[a-z0-9_]+$": panels}
    return _object(title, required, figures | _MORE_OF_PANEL | (optional or {}), patterns=patterns)


_MORE_OF_PANEL = {
    "overhangs": _list({"type": "string"}, "largest unsupported overhangs"),
    "layer_least_mm": _number("lowest layer above the first; mm"),
    "layer_most_mm": _number("highest layer above the first; mm"),
    "heating_time_s": _number("time of heating; s"),
    "homing_time_s": _number("time of homing; s"),
    "dwell_time_s": _number("time of pauses in the program; s"),
    "starved_time_s": _number("time the machine waits for program lines; s"),
}


def _panel() -> list[Schema]:
    return [_panel_result("program", {})]


def _coupon() -> list[Schema]:
    size = {
        "width_mm": _number("width of the largest panel"),
        "height_mm": _number("height of the largest panel"),
        "panels": _number("number of panels", "integer"),
        "time_s": _number("time of the print"),
    }
    row = {
        "name": _text("name of the coupon"),
        "measures": _text("what it measures"),
        "error": {"type": ["string", "null"], "description": "why it cannot be made on this machine"},
    }
    listed = {
        "machine": _text("machine profile"),
        "material": _text("material profile"),
        "coupons": _list(_object("coupon", row, size), "all coupons"),
    }
    own = {"coupon": _text("name of the coupon"), "steps": _number("places to measure", "integer")}
    beside = {"sheet": _text("path of the measurement sheet"), "drawing": _text("path of the drawing")}
    return [_object("list of coupons", listed), _panel_result("coupon", own, beside)]


def _picture() -> list[Schema]:
    sizes = {
        key: _number("size in pixels", "integer")
        for key in ("columns", "rows", "source_columns", "source_rows")
    }
    paths = {"picture": _text("path of the prepared picture"), "source": _text("file name of the photograph")}
    return [_object("prepared picture", paths | sizes | {"advice": _LINES, "notes": _NOTES})]


def _replay() -> list[Schema]:
    own = {
        "program": _text("file name of the program"),
        "machine": _text("machine profile"),
        "material": {"type": ["string", "null"], "description": "material profile, if known"},
        "width_mm": _number("width of the panel as viewed"),
        "height_mm": _number("height of the panel as viewed"),
        "turn_deg": _number("edge on which the panel stands"),
        "rotation_deg": _number("0 is along X, 90 along Y"),
        "layers": _number("layers", "integer"),
        "ends_mm": _number("length ignored at both ends of each wall"),
        "notes": _NOTES,
    }
    figures = _figures("text", prefix="text_") | _figures("against") | _MORE_OF_PANEL
    return [_object("replay", own, {key: schema for key, schema in figures.items() if key not in own})]


def _check() -> list[Schema]:
    finding = {
        "number": _number("number of the rule", "integer"),
        "level": {"enum": ["error", "warning", "note"]},
        "title": _text("the rule"),
        "line": _number("first line, from 1; 0 for the whole program", "integer"),
        "last_line": _number("last line", "integer"),
        "found": _text("what was found"),
        "value": _optional(_number("the value")),
        "limit": _text("the limit; may be empty"),
        "why": _text("reason of the rule"),
        "do": _text("remedy"),
    }
    rule = {key: finding[key] for key in ("number", "title", "level")}
    rule |= {
        "looked_at": _number("things the rule was applied to", "integer"),
        "found": _number("places", "integer"),
    }
    proven = _object("item", {"text": _text("the item"), "state": _text("state of the item")})
    safety = {
        "proven": _list(proven, "items that the text shows"),
        "yours": _list({"type": "string"}, "items for you to tick"),
        "guidance": _list({"type": "string"}, "further reading"),
        "disclaimer": _text("disclaimer"),
    }
    own = {key: _text(f"{key} of the check") for key in ("program", "machine", "material")}
    own["holds"] = _number("whether there are no errors", "boolean")
    counts = ("errors", "warnings", "notes", "lines", "moves")
    own |= {key: _number(f"number of {key}", "integer") for key in counts}
    own["findings"] = _list(_object("finding", finding), "findings, errors first")
    own["rules"] = _list(_object("rule", rule), "all rules")
    own["thermal_safety"] = _object("safety list", safety)
    return [_object("check", own)]


def _fit() -> list[Schema]:
    common = {
        "measured": _text("file name of the sheet"),
        "profile": _text("path of the profile"),
        "notes": _NOTES,
    }
    law = {
        "material": _text("name of the material"),
        "law": _text("law of light"),
        "readings": _number("number of readings", "integer"),
        "thicknesses": _number("number of thicknesses", "integer"),
        "thinnest_mm": _number("thinnest step"),
        "thickest_mm": _number("thickest step"),
        "absolute": _number("whether bare light was read", "boolean"),
        "transmittance_thinnest": _number("transmittance of the thinnest step"),
        "transmittance_thickest": _number("transmittance of the thickest step"),
        "error_share": _optional(_number("standard error of the transmittance, relative")),
        "rms_residual_share": _number("RMS residual, relative"),
        "visible_contrast": _number("contrast as viewed"),
        "visible_steps": _number("just-noticeable steps"),
        "outliers": _number("number of outliers", "integer"),
        "outlier_lines": _list({"type": "integer"}, "lines of the outliers in the sheet"),
    }
    constants = {
        r"^aicc_[a-z_]+$": _optional(_number("corrected Akaike criterion of a law")),
        r"^(t0|length|absorption|scattering)(_low|_high)?(_mm|_per_mm)?$": _optional(_number(ESTIMATE)),
    }
    figures = {
        r"^set [a-z_.]+$": {"description": "new value of a key of the profile"},
        r"^[A-Za-z0-9_*²³µ%]+$": _optional(_number(ESTIMATE)),
    }
    coupon = {"coupon": _text("name of the coupon")}
    names = {"machine": _text("name of the machine"), "material": _text("name of the material")}
    return [
        _object("light law", common | law, patterns=constants),
        _object("figures of a coupon", common | coupon, names, patterns=figures),
    ]


def _study() -> list[Schema]:
    reason = {"reason": _text("why"), "cases": _list({"type": "integer"}, "numbers of the cases")}
    table = {
        "table": _text("path of the table"),
        "cases": _number("number of cases", "integer"),
        "rejected": _number("cases without figures", "integer"),
        "digest": _text("digest of the study"),
        "reasons": _list(_object("reason", reason), "reasons of rejected cases"),
        "notes": _NOTES,
    }
    column = {key: _text(f"{key} of the column") for key in ("name", "unit", "group", "text")}
    column["default"] = _number("measured unless the study names its columns", "boolean")
    columns = {"columns": _list(_object("column", column), "figures that can be measured")}
    return [_object("table", table), _object("list of columns", columns)]


def _machines() -> list[Schema]:
    own = {"name": _text("name of the profile"), "about": _text("description")}
    machine = own | {key: _number("length of the build volume") for key in ("x_mm", "y_mm", "z_mm")}
    machine["nozzle_diameter_mm"] = _number("nozzle diameter")
    material = own | {"nozzle_degc": _number("nozzle temperature")}
    listed = {
        "machines": _list(_object("machine", machine), "machine profiles"),
        "materials": _list(_object("material", material), "material profiles"),
    }
    one = {
        "name": own["name"],
        "kind": {"enum": ["machine", "material"]},
        "toml": _text("the profile's file"),
    }
    return [_object("list of profiles", listed), _object("one profile", one)]


_RESULTS = {
    "panel": _panel,
    "picture": _picture,
    "replay": _replay,
    "check": _check,
    "coupon": _coupon,
    "fit": _fit,
    "study": _study,
    "machines": _machines,
}
