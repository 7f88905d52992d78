"""The order in which people write day, month and year as numbers."""

from __future__ import annotations

from typing import Literal, get_args

DateOrder = Literal["day-first", "month-first", "year-first"]
"""``day-first`` is 31/12/2025, ``month-first`` 12/31/2025, and ``year-first`` 2025-12-31."""
DATE_ORDERS: tuple[DateOrder, ...] = get_args(DateOrder)
