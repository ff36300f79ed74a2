"""The addresses from which the comparison desk fetches its pictures and its state.

``/desk/KEY/state`` answers when there is news; ``/desk/KEY/tile/PHOTO/KIND/LEVEL/COLUMN/ROW``
is one tile (KIND is ``own`` or ``aligned``); ``/desk/KEY/cut/PHOTO`` is one part of the frame
at a given size; ``/desk/KEY/map/PHOTO/NAME`` is a map of where the query differs from what is
known of that reference. KEY cannot be guessed and is known to the page that shows the desk,
like the addresses of Streamlit's own media files.
"""

from __future__ import annotations

import asyncio
import math
import time
from typing import TYPE_CHECKING

from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from loupebook.library import encode_jpeg
from parts.desk_store import DESKS

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.requests import Request

    from loupebook.library import Desk

QUALITY = 90
PATIENCE_S = 12.0
LEAST_CUT, MOST_CUT = 16, 1200
KEPT = {"Cache-Control": "private, max-age=86400, immutable"}
NOT_KEPT = {"Cache-Control": "no-store"}
GONE = "This comparison was put away. Search again to lay it out anew."


def _found(answer: Callable[[Request, Desk], Response]) -> Callable[[Request], Response]:
    """Answer 410 where the desk was put away, 404 where it has no such thing."""

    def answered(request: Request) -> Response:
        try:
            desk = DESKS.get(request.path_params["key"])
        except KeyError:
            return Response(GONE, 410, NOT_KEPT)
        try:
            return answer(request, desk)
        except (KeyError, IndexError, ValueError):
            return Response("There is no such picture.", 404, NOT_KEPT)

    return answered


async def state(request: Request) -> Response:
    """Answer with the state of a desk as soon as it differs from the version named."""
    key = request.path_params["key"]
    end = time.monotonic() + PATIENCE_S
    waited = False
    try:
        known = int(request.query_params.get("version", "-1"))
        while DESKS.version(key) == known and time.monotonic() < end:
            waited = True
            await asyncio.sleep(0.015)
        return JSONResponse(DESKS.state(key), headers=NOT_KEPT)
    except (KeyError, ValueError):
        # Put away under whoever waits here: its page has laid out another, and asks no more.
        return Response(status_code=204) if waited else Response(GONE, 410, NOT_KEPT)


def tile(request: Request, desk: Desk) -> Response:
    """Answer with one tile."""
    at = request.path_params
    photo = desk.layer(at["photo"], aligned=_aligned(at["kind"]))
    data = encode_jpeg(photo.tile(at["level"], at["column"], at["row"]), quality=QUALITY)
    desk.seen(at["photo"])
    return Response(data, media_type="image/jpeg", headers=KEPT)


def cut(request: Request, desk: Desk) -> Response:
    """Answer with a part of the frame: ``x``, ``y``, ``width``, ``height`` in its px."""
    asked = request.query_params
    left, top, width, height = (float(asked[name]) for name in ("x", "y", "width", "height"))
    longest = min(max(int(asked.get("longest", "360")), LEAST_CUT), MOST_CUT)
    if not all(map(math.isfinite, (left, top, width, height))) or min(width, height) <= 0:
        raise ValueError
    scale = longest / max(width, height)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    photo = desk.layer(request.path_params["photo"], aligned=True)
    pixels = photo.cut(left, top, scale, size)
    return Response(encode_jpeg(pixels, quality=QUALITY), media_type="image/jpeg", headers=KEPT)


def difference(request: Request, desk: Desk) -> Response:
    """Answer with a difference map over the frame."""
    data = desk.overlay(request.path_params["photo"], request.path_params["name"])
    return Response(data, media_type="image/png", headers=NOT_KEPT)


def _aligned(kind: str) -> bool:
    return {"own": False, "aligned": True}[kind]


ROUTES = [
    Route("/desk/{key}/state", state),
    Route("/desk/{key}/tile/{photo}/{kind}/{level:int}/{column:int}/{row:int}", _found(tile)),
    Route("/desk/{key}/cut/{photo}", _found(cut)),
    Route("/desk/{key}/map/{photo}/{name:path}", _found(difference)),
]
