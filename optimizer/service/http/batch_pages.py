from fastapi import APIRouter

routes = APIRouter(include_in_schema=False)
