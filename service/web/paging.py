"""How many rows one answer may have."""

from __future__ import annotations

from typing import Annotated

from fastapi import Query

ROWS_MAX = 1000
Rows = Annotated[int, Query(ge=1, le=ROWS_MAX)]
