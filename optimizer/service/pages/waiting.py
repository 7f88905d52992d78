"""What a page shows while its answer is being made."""

from __future__ import annotations

import asyncio

from optimizer.service.answers.job_queue import JobQueue
from optimizer.service.answers.order import Order

PATIENCE = 4.0
"""Seconds that a page waits for an answer before it shows the progress of the answer instead."""


async def answer_in_time(jobs: JobQueue, order: Order) -> bytes | None:
    """The answer to an order if it is ready within ``PATIENCE``, else None."""
    if (kept := jobs.kept(order.key)) is not None:
        return kept
    jobs.begin(order)
    await asyncio.sleep(0)  # continues as a job, whose progress can be shown
    try:
        return await asyncio.wait_for(jobs.answer(order), PATIENCE)
    except TimeoutError:
        return None


def progress_shown(jobs: JobQueue, order: Order, address: str) -> dict[str, str]:
    """What a page shows about an answer that is still being made, and the address of the answer.

    The address is explicit, because a page whose own address has a fragment would not reload
    without one.
    """
    stages = jobs.job(order.key)["progress"]
    said = stages[-1] if stages else "waiting"
    return {"job": order.key, "said": said, "address": address}
