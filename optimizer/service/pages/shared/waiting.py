"""The page that a person sees while an answer is being made.

It has no field, so it may ask again by itself: nothing that was typed can be lost.
"""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from urllib.parse import urlencode

from fastapi import Request
from starlette.responses import Response

from optimizer.service.answers.job_queue import JobQueue
from optimizer.service.answers.order import Order
from optimizer.service.answers.turns import Asker
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.parts import parts_of

PATIENCE = 4.0
"""Seconds that a page waits for an answer before it shows the progress of the answer instead."""


async def answer_in_time(jobs: JobQueue, order: Order, asker: Asker) -> bytes | None:
    """The answer to an order if it is ready within ``PATIENCE``, else None.

    Args:
        jobs: the queue of long answers.
        order: the order of the answer.
        asker: who asks, to whom a job that is begun belongs.
    """
    if (kept := jobs.kept(order.key)) is not None:
        return kept
    jobs.begin(order, asker)
    await asyncio.sleep(0)  # continues as a job, whose progress can be shown
    try:
        return await asyncio.wait_for(jobs.answer(order, asker), PATIENCE)
    except TimeoutError:
        return None


def waiting_page(request: Request, order: Order, address: str, what: str, here: str) -> Response:
    """The page of an answer that is being made; it has no field, and leads to the answer.

    Args:
        request: the request to answer.
        order: the order of the answer, whose job was begun.
        address: address of the page that shows the answer: a path of this service, with its query.
        what: what people call the answer, such as "plan".
        here: entry of the navigation that the page belongs to.
    """
    parts_of(request).jobs.files.note_page(order.key, address)
    return progress_page(request, order.key, address, what, here)


def progress_page(request: Request, key: str, address: str, what: str, here: str) -> Response:
    """The page of a job that is under way; the further arguments are those of ``waiting_page``.

    Args:
        request: the request to answer.
        key: id of the job.
        address: address of the page that asked for the answer; may be empty.
        what: what people call the answer.
        here: entry of the navigation that the page belongs to.

    Raises:
        Problem: when there is no such job.
    """
    jobs = parts_of(request).jobs
    state = jobs.job(key)
    asked = state.get("asked_at")
    seconds = 0.0
    if asked is not None:
        seconds = (datetime.now(UTC) - datetime.fromisoformat(asked)).total_seconds()
    again = f"/jobs/{key}" + (f"?{urlencode({'page': address})}" if address else "")
    return render_for(request, "waiting.html", here, job=state, address=address, what=what,
                      again=again, seconds=max(0, int(seconds)),
                      before=jobs.before(key))  # fmt: skip
