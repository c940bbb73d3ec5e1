"""The contract: one document, checked in, complete, true to the service, with every name that callers were promised."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from openapi_schema_validator import OAS31Validator
from openapi_spec_validator import OpenAPIV31SpecValidator

from service.api import line_shapes, register_shapes, shapes
from service.cli.run import contract
from service.entries import examples
from service.entries.catalogue import ENTRY_TYPES
from service.ledger.keys import enrol
from service.settings import Settings
from tests.api import scenario
from tests.api.desk import PROBLEM, running

NDJSON = "application/x-ndjson"
CHECKED_IN = Path(__file__).parents[1] / "openapi" / "openapi.json"
DOCUMENT: dict[str, Any] = json.loads(CHECKED_IN.read_text(encoding="utf-8"))
SCHEMAS: dict[str, Any] = DOCUMENT["components"]["schemas"]
OPERATIONS = {
    f"{method.upper()} {path}": operation
    for path, methods in DOCUMENT["paths"].items()
    for method, operation in methods.items()
}
PROMISED = {
    "asset.registered": "tag kind gas location position parent serial commissioned_on delivered_pressure.point "
    "delivered_pressure.flowing.low delivered_pressure.flowing.high delivered_pressure.static.low "
    "delivered_pressure.static.high line_pressure.point line_pressure.low line_pressure.high stem.pitch "
    "stem.pressure_per_turn service.procedure service.every service.window service.meter service.usage "
    "external_ids.system external_ids.id",
    "asset.amended": "patch",
    "asset.exchanged": "serial_out serial_in reason",
    "asset.retired": "reason",
    "bank.isolated": "valves.valve valves.state valves.lock companion.cylinders companion.water_volume "
    "companion.pressure companion.temperature companion.reserve_pressure demand",
    "bank.restored": "valves.valve valves.state valves.opened",
    "entry.corrected": "entry reason withdrawn replacement.data replacement.occurred_at replacement.by",
    "facility.amended": "name time_zone from_day",
    "finding.accepted": "check subject reason authority",
    "function.tested": "test result readings.what readings.value",
    "instrument.calibrated": "instrument on certificate of uncertainty_percent uncertainty k as_found_error_percent "
    "as_left_error_percent",
    "instrument.event": "instrument event",
    "instrument.registered": "instrument kind type max min resolution lever interval",
    "leak.tested": "method section volume fed_by closed readings.at readings.pressure readings.temperature atmosphere "
    "instrument thermometer",
    "lockup.tested": "section volume inlet flow flowing instrument thermometer readings.after readings.pressure "
    "readings.temperature",
    "lubricant.applied": "lubricant lot expires on",
    "meter.read": "meter reading",
    "note.added": "text crew",
    "notice.given": "to when",
    "part.fitted": "part new lot cured polymer cleaned",
    "part.removed": "part condition",
    "pressure.read": "point phase flow vent_open pressure gauge resolution instrument",
    "procedure.published": "code revision title applies_to satisfies cautions tools.tool tools.across_flats "
    "zero_pressure.hold zero_pressure.points.point zero_pressure.points.limit turns.tolerance turns.resolution "
    "turns.counters joints.joint joints.fastener joints.torque joints.tolerance_percent joints.acceptance "
    "joints.confidence kit.number kit.substitutes kit.parts.part kit.parts.action kit.parts.quantity kit.parts.joint "
    "kit.parts.polymer kit.parts.shelf_life lubricant.named lubricant.on leak_test.sections leak_test.limit "
    "lockup.max_rise_percent lockup.settle lockup.observe lockup.creep_limit functions notice supply endurance.margin "
    "countersign.own_credential before steps.number steps.does steps.records",
    "rebuild.closed": "outcome reason",
    "rebuild.countersigned": "role",
    "rebuild.opened": "procedure revision reason kit kit_lot permit crew work_order expected_duration",
    "setting.adjusted": "turns flow before after instrument",
    "step.done": "step",
    "torque.applied": "joint torque instrument extension.length extension.angle stage fastener",
    "turns.counted": "direction turns counted_by agreed_by marks_aligned",
}
"""The members of each entry type that callers were promised; more may come, none of these may go or change its name."""
ANSWERED = {
    shapes.ReceiptShape: "accepted size root rebuilds findings",
    line_shapes.LineTaken: "line status id seq replayed",
    line_shapes.LineRefused: "line status errors",
    line_shapes.LinesDone: "done read accepted refused",
    shapes.AcceptedEntry: "seq id leaf_hash replayed",
    shapes.RebuildState: "id state verdict",
    shapes.FindingBrief: "rebuild check subject verdict",
    shapes.RebuildShape: "id asset procedure state verdict edition opened_at closed_at findings",
    shapes.FindingShape: "check subject verdict counts measured required probability says advice source entries",
    shapes.DuePage: "as_of items next",
    shapes.DueItem: "asset procedure state due_on why anchor days",
    shapes.Problem: "type title status detail errors",
    shapes.ProblemFault: "pointer detail code",
    register_shapes.AssetShape: PROMISED["asset.registered"].split(" delivered_pressure")[0],
}
MEDIA = {
    "/log/checkpoint": "text/plain",
    "/log/key": "text/plain",
    "/log/proof": "text/plain",
    "/log/consistency": "text/plain",
    "/log/cosignatures": "text/plain",
    "/log/tile/{path}": "application/octet-stream",
    "/attachments/{sha256}": "application/octet-stream",
}
"""The open formats of the log are no JSON, nor is the content of a file."""
ASKED = {"/log/proof": "?seq=1", "/log/consistency": "?from=1&to=2"}
FILE = b"left bank, outlet: 0.00 bar at 13:27"


def test_what_is_checked_in_is_what_the_service_has() -> None:
    """After a change that is meant: ``witnessmark openapi``."""
    assert CHECKED_IN.read_text(encoding="utf-8") == contract()


def test_a_validator_of_openapi_3_1_takes_it() -> None:
    OpenAPIV31SpecValidator(DOCUMENT).validate()


def test_it_carries_the_cautions() -> None:
    told = DOCUMENT["info"]["description"]
    for caution in (
        "Oxygen and pressure kill",
        "oil, grease and dirt away from oxygen",
        "zero on a gauge is not zero in the dome",
        "Local codes, the maker's instructions and licensed practice come first",
        "not permission to return a system to service",
    ):
        assert caution in told.replace("\n", " ")


@pytest.mark.parametrize("name", OPERATIONS)
class TestEveryOperation:
    def test_has_a_summary_a_description_and_a_name(self, name: str) -> None:
        operation = OPERATIONS[name]
        assert operation["summary"]
        assert operation["description"].endswith(".")
        assert operation["tags"]
        assert [other["operationId"] for other in OPERATIONS.values()].count(operation["operationId"]) == 1

    def test_describes_its_parameters(self, name: str) -> None:
        for parameter in OPERATIONS[name].get("parameters", ()):
            assert parameter.get("description"), parameter["name"]

    def test_shows_the_shape_of_what_it_answers(self, name: str) -> None:
        for status, answer in OPERATIONS[name]["responses"].items():
            assert answer["description"]
            if status.startswith("2"):
                lines = [NDJSON] if name.startswith("POST") and name.endswith("/entries") and status == "200" else []
                below = name.partition("{facility}")[2]
                stored = name.startswith("PUT ")  # what is put is answered in JSON
                media = "application/json" if stored else MEDIA.get(below, "application/json")
                assert list(answer["content"]) == [media, *lines]
                assert all(content["schema"] for content in answer["content"].values()), status

    def test_answers_what_goes_wrong_with_a_problem(self, name: str) -> None:
        operation = OPERATIONS[name]
        wrong = {status for status in operation["responses"] if status >= "400"}
        for status in wrong:
            content = operation["responses"][status]["content"]
            assert content == {PROBLEM: {"schema": {"$ref": "#/components/schemas/Problem"}}}
        if "{facility}" in name:
            assert {"401", "403", "404", "422", "503"} <= wrong
        if "requestBody" in operation:
            assert {"400", "413", "415"} <= wrong
            assert "409" in wrong or operation["operationId"] == "put_attachment", "a file contradicts nothing"

    def test_shows_an_example_of_what_it_takes(self, name: str) -> None:
        body = OPERATIONS[name].get("requestBody")
        if body is not None:
            assert body["required"]
            for media in body["content"].values():
                assert media.get("example") or media.get("examples")

    def test_wants_a_bearer_token_below_a_facility(self, name: str) -> None:
        assert bool(OPERATIONS[name].get("security")) == ("{facility}" in name)


@pytest.mark.parametrize("name", SCHEMAS)
def test_every_schema_says_what_it_is(name: str) -> None:
    schema = SCHEMAS[name]
    assert schema.get("description") or "oneOf" in schema or "anyOf" in schema


def test_every_quantity_names_the_units_it_is_taken_in() -> None:
    assert "ft.lbf" in SCHEMAS["Torque"]["properties"]["unit"]["enum"]
    assert "kPa" in SCHEMAS["Pressure"]["properties"]["unit"]["enum"]
    assert "kPa" not in SCHEMAS["Torque"]["properties"]["unit"]["enum"]


def test_every_entry_type_that_callers_may_record_is_in_it() -> None:
    recorded = {name for name, row in ENTRY_TYPES.items() if row.scope}
    assert set(SCHEMAS["Entry"]["discriminator"]["mapping"]) == recorded == set(PROMISED)


def _steps(schema: dict[str, Any], step: str) -> Iterator[dict[str, Any]]:
    """The schemas of a member, through references, choices and lists."""
    if "$ref" in schema:
        yield from _steps(SCHEMAS[schema["$ref"].rpartition("/")[2]], step)
    for choice in (*schema.get("anyOf", ()), *schema.get("oneOf", ())):
        yield from _steps(choice, step)
    if "items" in schema:
        yield from _steps(schema["items"], step)
    if step in schema.get("properties", {}):
        yield schema["properties"][step]


@pytest.mark.parametrize("type_", PROMISED)
def test_every_member_that_was_promised_is_in_the_document(type_: str) -> None:
    for path in PROMISED[type_].split():
        found = [{"$ref": SCHEMAS["Entry"]["discriminator"]["mapping"][type_]}]
        for step in ("data", *path.split(".")):
            found = [below for schema in found for below in _steps(schema, step)]
        assert found, f"{type_}: {path}"


@pytest.mark.parametrize("shape", ANSWERED, ids=lambda shape: shape.__name__)
def test_every_member_of_an_answer_that_was_promised_is_there(shape: Any) -> None:
    assert set(ANSWERED[shape].split()) <= set(shape.model_fields)


def _told(data: Any) -> set[str]:
    """Every member of an entry's data, and of the lists and objects in it, by its path."""
    if isinstance(data, list):
        return {path for each in data for path in _told(each)}
    if not isinstance(data, dict):
        return set()
    return {path for name, value in data.items() for path in (name, *(f"{name}.{below}" for below in _told(value)))}


@pytest.mark.parametrize("type_", PROMISED)
def test_the_scenario_that_is_recorded_in_these_tests_uses_every_member(type_: str) -> None:
    """So each of them is not only in the document but taken: the scenario is posted in ``tests/api``."""
    entries = [*scenario.registered(), *scenario.WORK, *scenario.BESIDE]
    told = {path for entry in entries if entry["type"] == type_ for path in _told(entry["data"])}
    assert set(PROMISED[type_].split()) <= told


def test_the_document_takes_what_the_service_takes() -> None:
    validator = OAS31Validator({"$ref": "#/components/schemas/EntriesBody", "components": DOCUMENT["components"]})
    whole = [{**scenario.DEFAULTS, **entry} for entry in scenario.WORK]
    for body in (*examples.EXAMPLES.values(), scenario.BODY, whole, scenario.registered(), *scenario.BESIDE):
        validator.validate(body)


def test_its_examples_are_accepted_as_they_stand(sqlite_url: str) -> None:
    """On an empty facility, the register first, as somebody would who reads the document from the top."""
    order = ["post_asset", "patch_asset", "post_procedure", "post_instrument", "post_calibration", "post_entries"]
    by_id = {operation["operationId"]: (name, operation) for name, operation in OPERATIONS.items()}
    assert {by_id[name][0].split()[0] for name in order} == {"POST", "PATCH"}
    with_bodies = {name for name, (_, operation) in by_id.items() if "requestBody" in operation}
    # A signature in a document is over no checkpoint of ours; a file is any file, under the digest of that.
    assert with_bodies - set(order) == {"post_cosignatures", "put_attachment"}
    names = {"{tag}": examples.ASSET["tag"], "{name}": examples.INSTRUMENT["instrument"]}
    with running(sqlite_url) as desk:
        desk.open()
        for wanted in order:
            method, path = by_id[wanted][0].replace("/v1/facilities/{facility}", "").split()
            for parameter, value in names.items():
                path = path.replace(parameter, value)
            media, content = next(iter(by_id[wanted][1]["requestBody"]["content"].items()))
            for example in content.get("examples", {"it": {"value": content.get("example")}}).values():
                headers = {"Content-Type": media, "If-Match": "*"}
                answer = desk.call(method, path, content=json.dumps(example["value"]).encode(), headers=headers)
                assert answer.status_code in {200, 201}, (wanted, answer.text)


def test_lines_are_answered_as_the_document_shows(sqlite_url: str) -> None:
    operation = next(one for one in OPERATIONS.values() if one["operationId"] == "post_entries")
    sent = operation["requestBody"]["content"][NDJSON]["example"]
    shown = operation["responses"]["200"]["content"][NDJSON]["example"]
    validator = OAS31Validator({"$ref": "#/components/schemas/LineAnswer", "components": DOCUMENT["components"]})
    with running(sqlite_url) as desk:
        desk.open()
        desk.post("/assets", examples.ASSET)
        answer = desk.post("/entries", content=sent.encode(), headers={"Content-Type": NDJSON})
    for told, like in zip(answer.text.splitlines(), shown.splitlines(), strict=True):
        validator.validate(json.loads(told))
        assert json.loads(told) | {"id": "", "seq": 0} == json.loads(like) | {"id": "", "seq": 0}


def test_what_is_read_has_the_shape_that_is_documented(sqlite_url: str) -> None:
    """Each answer once, by the schema of the document; what the shapes forbid is not there."""
    names = {"tag": "OX2-LB", "name": "TH-1", "code": "BR-12", "revision": "1", "rebuild": scenario.REBUILD}
    names["path"] = "0/000.p/1"
    names["sha256"] = hashlib.sha256(FILE).hexdigest()
    with running(sqlite_url) as desk:
        desk.open()
        enrol(desk.ledger.store, Settings(database_url=sqlite_url).key_file, desk.facility, desk.clock())
        desk.record(*scenario.registered())
        desk.post("/entries", scenario.BODY)
        for entry in scenario.BESIDE[:6]:
            desk.record(entry)
        assert desk.call("PUT", f"/attachments/{names['sha256']}", content=FILE).status_code == 201
        for name in OPERATIONS:
            method, path = name.split()
            if method == "GET":
                below = path.partition("{facility}")[2]
                answer = desk.get("/" + path.format(facility=desk.facility, **names) + ASKED.get(below, ""))
                assert answer.status_code == 200, name
                _is_as_documented(name, answer)


def _is_as_documented(name: str, answer: httpx.Response) -> None:
    """An answer in JSON has the shape of the document, any other the media type."""
    ((media, content),) = OPERATIONS[name]["responses"]["200"]["content"].items()
    assert answer.headers["content-type"].partition(";")[0] == media
    if media == "application/json":
        OAS31Validator({**content["schema"], "components": DOCUMENT["components"]}).validate(answer.json())
