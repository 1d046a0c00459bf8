"""The limits view for the engineer."""

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from feedback.board.desk import desk_of, page
from feedback.board.limits import tables


def whole(request: Request) -> Response:
    """The limits in force."""
    configuration = desk_of(request).source.cell().configuration
    return page(request, "limits.html", tables=tables(configuration), digest=configuration.digest)


routes = [Route("/limits", whole)]
