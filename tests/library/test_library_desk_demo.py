"""The points of comparison that ship with the demo set lie on its photos."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path

from loupebook.bundled import bundled
from loupebook.library import Library
from loupebook.library.desk_exchange import sha256_of


def test_the_demo_points_are_taken_in_by_a_set_of_the_demo_photos(tmp_path: Path) -> None:
    demo = bundled("reference_sets") / "demo"
    text = (demo / "points.jsonld").read_text(encoding="utf-8")
    wanted = {sha256_of(item["target"]["source"]) for item in json.loads(text)["items"]}
    with (demo / "manifest.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    anchors = [
        demo / row["path"]
        for row in rows
        if hashlib.sha256((demo / row["path"]).read_bytes()).hexdigest() in wanted
    ]
    assert len(anchors) == len(wanted)
    with Library.create(tmp_path / "set") as library:
        assert library.add_manifest(demo / "manifest.csv", only=anchors, by="a curator").ok
        points = library.take_in_points(text, by="a curator")
        assert {point.sha256 for point in points} == wanted
        for point in points:
            assert point.genuine_shows
            assert point.copies_show
