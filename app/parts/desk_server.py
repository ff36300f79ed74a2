"""The addresses that the comparison desk fetches its pictures from."""

from __future__ import annotations

from starlette.responses import PlainTextResponse
from starlette.routing import Route

ROUTES = [Route("/desk/{token}", lambda request: PlainTextResponse(request.path_params["token"]))]
