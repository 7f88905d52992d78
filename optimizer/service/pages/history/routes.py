"""The routes of all pages about the history."""

from __future__ import annotations

from fastapi import APIRouter

from optimizer.service.pages.history import changes, one_run, rejected, run_list, versions

routes = APIRouter()
for room in (run_list, one_run, changes, versions, rejected):
    routes.include_router(room.routes)
