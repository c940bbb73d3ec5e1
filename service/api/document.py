"""The OpenAPI document: what FastAPI derives from the routes, and the entry types, which it cannot see."""

from __future__ import annotations

from typing import Any, Final

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute
from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from service.api.line_shapes import LineAnswer
from service.api.shapes import Problem
from service.entries import examples
from service.entries.catalogue import ENTRY_TYPES, EntryType
from service.entries.envelope import MOST_ENTRIES, Envelope
from service.entries.lines import MOST_LINE_BYTES
from service.ledger.attachments import ENDINGS

_REF: Final = "#/components/schemas/"
LINES: Final = "application/x-ndjson"
DESCRIPTION: Final = """\
The service-event ledger for medical-gas regulators. Every rebuild is recorded as entries that are never changed, judged
by arithmetic on the server, and provable.

**Quantities** are `{"value": "30.0", "unit": "ft.lbf"}`: decimal text (or a JSON number, whose digits are kept) and a
unit from a closed list. **Times** are RFC 3339 with an offset. **Errors** are RFC 9457 problem documents whose
`errors[]` point at each field. **Verdicts** are `conforming`, `nonconforming`, `inconclusive` or `not_applicable`; each
shows its arithmetic.

**Oxygen and pressure kill.** Keep oil, grease and dirt away from oxygen; stored pressure is let off and proven gone
before anything is loosened; zero on a gauge is not zero in the dome; valves are opened slowly; while one bank is out
the other carries the wards. Local codes, the maker's instructions and licensed practice come first. A conforming
verdict is arithmetic on what was recorded, not permission to return a system to service.
"""


def _name(type_: str) -> str:
    """``torque.applied`` → ``EntryTorqueApplied``."""
    return "Entry" + "".join(part.capitalize() for part in type_.split("."))


def _ref(name: str) -> dict[str, str]:
    return {"$ref": _REF + name}


ENTRIES_BODY: Final[dict[str, Any]] = {
    "required": True,
    "content": {
        "application/json": {
            "schema": _ref("EntriesBody"),
            "examples": {name: {"value": value} for name, value in examples.EXAMPLES.items()},
        },
        LINES: {"schema": _ref("EntryLines"), "example": examples.LINES},
    },
}
ENTRIES_REPLAYED: Final[dict[str, Any]] = {
    "description": "Nothing was new: every entry was recorded before. Or, for lines, a line of answer for each.",
    "content": {
        "application/json": {"schema": _ref("ReceiptShape")},
        LINES: {"schema": _ref("AnswerLines"), "example": examples.ANSWERED_LINES},
    },
}


def _body(schema: str | dict[str, Any], example: Any, media_type: str = "application/json") -> dict[str, Any]:
    """The request body of a call that is sugar over an entry."""
    shown = _ref(schema) if isinstance(schema, str) else schema
    return {"required": True, "content": {media_type: {"schema": shown, "example": example}}}


ASSET_BODY: Final = _body("AssetBody", examples.ASSET)
PATCH_BODY: Final = _body({"type": "object", "minProperties": 1}, examples.PATCH, "application/merge-patch+json")
PROCEDURE_BODY: Final = _body("ProcedurePublished", examples.PROCEDURE)
INSTRUMENT_BODY: Final = _body("InstrumentRegistered", examples.INSTRUMENT)
CALIBRATION_BODY: Final = _body("CalibrationBody", examples.CALIBRATION)
ATTACHMENT_BODY: Final[dict[str, Any]] = {
    "description": f"The bytes of the file, as one of {', '.join(ENDINGS)}.",
    **_body({"type": "string", "format": "binary"}, "the bytes of the file", "application/octet-stream"),
}


def operation_id(route: APIRoute) -> str:
    """``get_due``: what a generated client calls it."""
    return route.name


def install(app: FastAPI) -> None:
    """Let the app answer with the whole document."""

    def document() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = _document(app)
        return app.openapi_schema

    app.openapi = document  # type: ignore[method-assign]


def _document(app: FastAPI) -> dict[str, Any]:
    document = get_openapi(
        title=app.title, version=app.version, description=DESCRIPTION, routes=app.routes, summary=app.summary
    )
    schemas = document.setdefault("components", {}).setdefault("schemas", {})
    for default in ("HTTPValidationError", "ValidationError"):
        schemas.pop(default, None)
    taken = [row for row in ENTRY_TYPES.values() if row.scope is not None]
    models: list[type[BaseModel]] = [Problem, LineAnswer, Envelope, *(row.data for row in taken)]
    schemas |= models_json_schema([(model, "validation") for model in models], ref_template=_REF + "{model}")[1][
        "$defs"
    ]
    schemas |= {_name(row.name): _entry(row, schemas["Envelope"]) for row in taken}
    schemas["Entry"] = {
        "oneOf": [_ref(_name(row.name)) for row in taken],
        "discriminator": {"propertyName": "type", "mapping": {row.name: _REF + _name(row.name) for row in taken}},
    }
    schemas |= _BY_THE_LINE
    schemas["EntriesBody"] = _entries_body(schemas["Envelope"])
    schemas["AssetBody"] = _requiring(schemas["AssetRegistered"], "tag")
    schemas["CalibrationBody"] = _sparing(schemas["InstrumentCalibrated"], "instrument")
    del schemas["Envelope"]
    return document


_BY_THE_LINE: Final[dict[str, Any]] = {
    "EntryLines": {
        "type": "string",
        "description": "NDJSON: an `Entry` on each line, in UTF-8. Of any length; a line is at most "
        f"{MOST_LINE_BYTES} bytes long. Empty lines are passed over. Entries without `id` are told apart as in a list.",
    },
    "AnswerLines": {
        "type": "string",
        "description": "NDJSON: a `LineAnswer` for each line that is not empty, in order, and a last one with `done`.",
    },
}


def _requiring(schema: dict[str, Any], name: str) -> dict[str, Any]:
    """The same with one member that must be there."""
    given = next(choice for choice in schema["properties"][name]["anyOf"] if choice != {"type": "null"})
    return {
        **schema,
        "properties": {**schema["properties"], name: given},
        "required": [*schema["required"], name],
    }


def _sparing(schema: dict[str, Any], name: str) -> dict[str, Any]:
    """The same with one member that the address may say instead."""
    return {**schema, "required": [member for member in schema["required"] if member != name]}


def _entry(row: EntryType, envelope: dict[str, Any]) -> dict[str, Any]:
    """The envelope with its data as this type has it."""
    members = dict(envelope["properties"])
    members["type"] = {"const": row.name}
    members["data"] = _ref(row.data.__name__)
    required = ["type", "occurred_at", "data"]
    match row.about:
        case "none":
            del members["asset"], members["rebuild"]
        case "asset":
            del members["rebuild"]
            required.append("asset")
        case "asset, rebuild if any":
            required.append("asset")
        case "rebuild":
            required += ["asset", "rebuild"]
    return {
        "type": "object",
        "description": f"{(row.data.__doc__ or '').strip()}\n\nScope: `{row.scope}`.",
        "properties": members,
        "required": required,
        "additionalProperties": False,
    }


def _entries_body(envelope: dict[str, Any]) -> dict[str, Any]:
    defaults = {name: envelope["properties"][name] for name in ("type", "v", "occurred_at", "asset", "rebuild", "by")}
    several = {"type": "array", "items": _ref("Entry"), "minItems": 1, "maxItems": MOST_ENTRIES}
    wrapped = {
        "type": "object",
        "description": "A list with `defaults`, which fill in members an entry leaves out, and nothing else.",
        "properties": {
            "defaults": {"type": "object", "properties": defaults, "additionalProperties": False},
            "entries": {"type": "array", "minItems": 1, "maxItems": MOST_ENTRIES, "items": {"type": "object"}},
            "sent_at": {"type": "string", "format": "date-time"},
        },
        "required": ["entries"],
        "additionalProperties": False,
    }
    return {"anyOf": [_ref("Entry"), several, wrapped]}
