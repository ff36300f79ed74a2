"""The addresses of the desk, asked without a browser."""

from __future__ import annotations

import asyncio
import io
import json
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from app_driver import APP  # noqa: F401 (puts the pages on the path)
from PIL import Image
from starlette.responses import Response

from desk_prints import Shots, fill, shots_of, told
from loupebook.library import Library
from parts import desk_server


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    shots: Shots = shots_of()
    with Library.create(tmp_path_factory.mktemp("desk") / "set", name="Prints") as library:
        fill(library, shots)
        yield library.desk(told(library, shots.genuine_query.pixels, "G-0", "F-0"))


@pytest.fixture(autouse=True)
def known(desk: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    class Store:
        def get(self, key: str) -> Any:
            return {"known": desk}[key]

        def version(self, key: str) -> int:
            return self.get(key).version

        def state(self, key: str) -> dict[str, Any]:
            return self.get(key).to_dict()

    monkeypatch.setattr(desk_server, "DESKS", Store())


def ask(path: str, **query: str) -> Response:
    """Answer as the server would: the first address that fits, with its path taken apart."""
    for route in desk_server.ROUTES:
        match = route.path_regex.match(path)
        if match:
            found = {k: route.param_convertors[k].convert(v) for k, v in match.groupdict().items()}
            answer = route.endpoint(SimpleNamespace(path_params=found, query_params=query))
            return asyncio.run(answer) if asyncio.iscoroutine(answer) else answer
    raise AssertionError(path)


def test_a_tile_is_the_photo_and_may_be_kept(desk: Any) -> None:
    answer = ask("/desk/known/tile/query/own/0/0/0")
    assert answer.media_type == "image/jpeg"
    assert "private" in answer.headers["cache-control"]
    tile = np.asarray(Image.open(io.BytesIO(answer.body)).convert("RGB")).astype(float)
    photo = desk.layer("query", aligned=False).mips.level(0)
    assert tile.shape == photo.shape
    assert np.abs(tile - photo).mean() < 3


@pytest.mark.parametrize(
    "path",
    [
        "/desk/known/tile/query/own/9/0/0",
        "/desk/known/tile/query/own/0/5/0",
        "/desk/known/tile/query/aligned/0/0/0",
        "/desk/known/tile/query/other/0/0/0",
        "/desk/known/tile/p99/own/0/0/0",
        "/desk/known/map/p1/structure",
        "/desk/known/cut/query",
    ],
)
def test_what_is_not_there_is_404(path: str) -> None:
    answer = ask(path, x="0", y="0", width="10", height="10")
    assert answer.status_code == 404
    assert answer.headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "path",
    ["/desk/other/state", "/desk/other/tile/query/own/0/0/0", "/desk/other/map/p1/x"],
)
def test_a_desk_that_was_put_away_is_410(path: str) -> None:
    answer = ask(path)
    assert answer.status_code == 410
    assert b"Search again" in answer.body


@pytest.mark.parametrize(
    "part",
    [
        {"x": "nan", "y": "0", "width": "10", "height": "10"},
        {"x": "0", "y": "0", "width": "-1", "height": "10"},
        {"x": "0", "y": "0", "width": "1e400", "height": "10"},
        {"x": "0"},
    ],
)
def test_a_part_that_is_none_is_404(part: dict[str, str]) -> None:
    assert ask("/desk/known/cut/p1", **part).status_code == 404


def test_whoever_waits_on_a_desk_that_makes_way_is_told_that_there_is_no_more(
    desk: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Left:
        asked = 0

        def version(self, key: str) -> int:
            self.asked += 1
            if self.asked > 2:
                raise KeyError(key)
            return 7

    monkeypatch.setattr(desk_server, "DESKS", Left())
    answer = ask("/desk/known/state", version="7")
    assert answer.status_code == 204
    assert answer.body == b""
    assert ask("/desk/known/state", version="7").status_code == 410


def test_the_state_comes_at_once_when_there_is_news(desk: Any) -> None:
    answer = json.loads(ask("/desk/known/state", version="-1").body)
    assert answer["version"] == desk.version
    assert answer["layers"]["query"]["waits"]
    assert answer["measures"] == {}
    assert not answer["done"]
