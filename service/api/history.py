"""What an asset's past teaches: pressure per turn, turns to a target, the series between visits."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response

from service.api import history_shapes as shapes
from service.api.answer import answer
from service.api.asked import asked_for
from service.api.assets import Tag
from service.api.callers import ALedger, Reader
from service.api.sugar import READ
from service.entries.quantity import Pressure, SignedTurns
from service.entries.work import FlowState
from service.ledger import history

router = APIRouter(tags=["assets"])
_PRESSURE = "gauge pressure with its unit, such as `345 kPa` or `50 psi`"


@router.get(
    "/assets/{tag}/setting",
    summary="Turns to a delivered pressure",
    responses={200: {"model": shapes.SettingShape}, **READ},
    response_class=Response,
)
async def get_setting(
    ledger: ALedger,
    who: Reader,
    tag: Tag,
    target: Annotated[str | None, Query(max_length=90, description=f"The {_PRESSURE} wanted.")] = None,
    turns: Annotated[
        str | None, Query(max_length=90, description="Turns in, or out with a minus: what will they do? `-0.25 turn`.")
    ] = None,
    now: Annotated[
        str | None, Query(max_length=90, description=f"The {_PRESSURE} now; else the last one recorded.")
    ] = None,
    flow: Annotated[FlowState, Query(description="With gas flowing, or with none.")] = "flowing",
) -> Response:
    """Pressure per turn learned from the device's own adjustments, else reckoned, else registered: it says which."""
    pressure, wanted = asked_for(Pressure, "now", now), asked_for(Pressure, "target", target)
    turned = asked_for(SignedTurns, "turns", turns)
    return answer(
        await ledger.read(
            lambda tx: history.setting(tx, who.facility, tag, flow=flow, start=pressure, target=wanted, turns=turned)
        )
    )


@router.get(
    "/assets/{tag}/history",
    summary="Read an asset's history",
    responses={200: {"model": shapes.HistoryShape}, **READ},
    response_class=Response,
)
async def get_history(ledger: ALedger, who: Reader, tag: Tag) -> Response:
    """The series of the device now in the position, wherever it was before, and what they say of the time to come."""
    now = ledger.clock()
    return answer(await ledger.read(lambda tx: history.history(tx, who.facility, tag, now)))
