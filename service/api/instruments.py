"""Instruments: torque tools, gauges and thermometers with their certificates."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request, Response

from service.api import register_shapes as shapes
from service.api.answer import Cursor, Limit, address, answer, page, read_cursor, tagged, write_cursor
from service.api.callers import ALedger, AnyCaller, Reader, look
from service.api.document import CALIBRATION_BODY, INSTRUMENT_BODY
from service.api.intake import read_body
from service.api.sugar import READ, TAKEN, an_object, created, record
from service.entries.refusals import Fault, NotAFact
from service.ledger import answers

router = APIRouter(tags=["instruments"])
Instrument = Annotated[str, Path(description="The instrument's code.", examples=["TW-21"])]


@router.post(
    "/instruments",
    summary="Register an instrument",
    status_code=201,
    responses={201: {"model": shapes.InstrumentShape, "description": "Registered."}, **TAKEN},
    openapi_extra={"requestBody": INSTRUMENT_BODY},
    response_class=Response,
)
async def post_instrument(request: Request, ledger: ALedger, who: AnyCaller) -> Response:
    """A torque tool, a pressure gauge or a thermometer; registered again, the latest holds."""
    body = an_object(await read_body(request))
    await record(ledger, who, "instrument.registered", body)
    name = body["instrument"]
    return created(request, await ledger.read(lambda tx: answers.one_instrument(tx, who.facility, name)), name)


@router.post(
    "/instruments/{name}/calibrations",
    summary="Record a calibration",
    status_code=201,
    responses={
        201: {"model": shapes.InstrumentShape, "description": "Recorded; the instrument with all its certificates."},
        **TAKEN,
    },
    openapi_extra={"requestBody": CALIBRATION_BODY},
    response_class=Response,
)
async def post_calibration(request: Request, ledger: ALedger, who: AnyCaller, name: Instrument) -> Response:
    """A certificate for an instrument that is registered; rebuilds that used it are judged again."""
    body = an_object(await read_body(request))
    await ledger.read(lambda tx: answers.one_instrument(tx, who.facility, name))
    if body.setdefault("instrument", name) != name:
        fault = Fault("/instrument", "two_instruments", f"the address says {name}")
        raise NotAFact(fault.detail, [fault], code=fault.code)
    await record(ledger, who, "instrument.calibrated", body)
    content = await ledger.read(lambda tx: answers.one_instrument(tx, who.facility, name))
    return answer(content, 201, {"Location": address(request).removesuffix("/calibrations")})


@router.get(
    "/instruments",
    summary="List instruments",
    responses={200: {"model": shapes.InstrumentPage}, **READ},
    response_class=Response,
)
async def get_instruments(request: Request, who: Reader, limit: Limit = 50, after: Cursor = None) -> Response:
    """Instruments by code, each with its certificates."""
    (name,) = read_cursor(after, str) or [""]
    items = await look(request, who, lambda tx: answers.instruments(tx, who.facility, name, limit))
    return page(request, items[:limit], write_cursor(items[limit - 1]["instrument"]) if len(items) > limit else None)


@router.get(
    "/instruments/{name}",
    summary="Read an instrument",
    responses={200: {"model": shapes.InstrumentShape}, 304: {"description": "Not modified."}, **READ},
    response_class=Response,
)
async def get_instrument(request: Request, who: Reader, name: Instrument) -> Response:
    """One instrument with its certificates and events."""
    content = await look(request, who, lambda tx: answers.one_instrument(tx, who.facility, name))
    return tagged(request, content, str(content["seq"]))
