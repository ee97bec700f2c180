"""Numbered messages that never came, for programs: one document with every gateway and the ranges noticed last."""

from __future__ import annotations

from datetime import datetime

from fastapi import APIRouter
from pydantic import BaseModel

from service.model import House
from service.units.times import as_datetime
from service.web.paging import Rows


class GatewayNumbering(BaseModel):
    gateway: str
    numbering: str  # numbered | not numbered | not heard
    missing: int  # messages that were reported and have not come


class Gap(BaseModel):
    gateway: str
    boot: str  # empty when the gateway names none
    run: int  # counts the gateway's boots, and the times at which it began to count anew
    first: int
    last: int
    messages: int
    noticed_at: datetime
    filled_at: datetime | None


class Gaps(BaseModel):
    gateways: list[GatewayNumbering]
    gaps: list[Gap]


def gap_routes(house: House) -> APIRouter:
    """The route of the gaps."""
    routes = APIRouter(prefix="/api/v1")

    @routes.get("/gaps")
    def gaps(missing: bool = True, limit: Rows = 100) -> Gaps:
        """Messages that a gateway numbered and that never came; with `missing` false also those that came after all."""
        rows = house.gaps(missing_only=missing, limit=limit)
        return Gaps(
            gateways=[GatewayNumbering.model_validate(one) for one in house.numbering()],
            gaps=[
                Gap(
                    gateway=row["gateway"],
                    boot=row["boot"],
                    run=row["run"],
                    first=row["first"],
                    last=row["last"],
                    messages=row["last"] - row["first"] + 1,
                    noticed_at=as_datetime(row["noticed_us"]),
                    filled_at=None if row["filled_us"] is None else as_datetime(row["filled_us"]),
                )
                for row in rows
            ],
        )

    return routes
