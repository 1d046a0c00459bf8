"""The shop view: all machines, or the one that a panel stands beside.

Its threads are asyncio's own: starting those of the other pages takes longer than the page.
"""

import asyncio
from dataclasses import replace

from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from feedback.board.desk import desk_of, page
from feedback.board.shop import Shop
from feedback.errors import UsageError


def _shown(request: Request) -> Shop:
    found = desk_of(request).shop()
    name = request.query_params.get("machine")
    if name is None:
        return found
    slips = [slip for slip in found.slips if slip.machine == name]
    if not slips:
        known = ", ".join(slip.machine for slip in found.slips)
        raise UsageError(f"there is no machine {name!r} in this cell; wanted one of {known}")
    return replace(found, slips=slips)


async def whole(request: Request) -> Response:
    """The page."""
    answer = await asyncio.to_thread(_page, request, "shop.html")
    answer.background = BackgroundTask(desk_of(request).open_the_rest)
    return answer


async def now(request: Request) -> Response:
    """What of the page changes."""
    return await asyncio.to_thread(_page, request, "_slips.html")


def _page(request: Request, template: str) -> Response:
    return page(request, template, shop=_shown(request), machine=request.query_params.get("machine"))


routes = [Route("/", whole), Route("/shop/now", now)]
