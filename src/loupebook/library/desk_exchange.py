"""Points of comparison for exchange: W3C Web Annotation (JSON-LD).

An annotation page holds one annotation a point. Its target names the anchor photo by its
SHA-256 as an ``ni`` URI (RFC 6920), so it holds wherever the same bytes lie, and selects the
region: a rectangle with a FragmentSelector (Media Fragments URI 1.0, ``xywh=pixel:``), any
other shape with an SvgSelector. Sources: Web Annotation Data Model, W3C Recommendation of
23 February 2017, sections 4.2.1 and 4.2.7; RFC 6920, section 3.

A fragment counts px from the left edge of the first one, so half a px is added to our
coordinates, in which the centre of the first px lies at 0.
"""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

from loupebook.errors import RecordInvalid
from loupebook.records.catalogue import Catalogue
from loupebook.records.points import DrawnPoint, PointRecord, Points, Region, take_point

CONTEXT = "http://www.w3.org/ns/anno.jsonld"
FRAGMENTS = "http://www.w3.org/TR/media-frags/"
_LONGEST_SELECTOR = 20_000
"""In characters; the 200 corners that a region may have take 4,000."""
_NI = "ni:///sha-256;"
_BODIES = {"title": "identifying", "genuine_shows": "describing", "copies_show": "commenting"}


def points_to_annotations(points: Sequence[PointRecord]) -> str:
    """Return points as a W3C annotation page, JSON text."""
    page = {
        "@context": CONTEXT,
        "type": "AnnotationPage",
        "items": [_annotation(point) for point in points],
    }
    return json.dumps(page, ensure_ascii=False, indent=1)


def points_from_annotations(text: str, catalogue: Catalogue, *, by: str) -> list[PointRecord]:
    """Record the points of a W3C annotation page that the set does not have: all, or none.

    Parameters
    ----------
    text : str
        The page, JSON.
    catalogue : Catalogue
        The set; it must hold the photos that the points were drawn on.
    by : str
        Who takes them in.

    Returns
    -------
    list of PointRecord
        Those recorded now. One that was taken out of use here does not come back by this.

    Raises
    ------
    RecordInvalid
        If the page, an annotation or a selector cannot be read, a text or a region is not
        allowed, or a photo is not here or belongs to no edition.
    """
    drawn = [_read(item, catalogue) for item in _items(text)]
    with catalogue._changing(by) as change:
        taken = [take_point(change, point) for point in drawn]
    points = Points(catalogue)
    return [points.get(number) for number in taken if number is not None]


def ni_of(sha256: str) -> str:
    """Return a SHA-256 as an ``ni`` URI."""
    return _NI + base64.urlsafe_b64encode(bytes.fromhex(sha256)).decode().rstrip("=")


def sha256_of(uri: str) -> str:
    """Return the hex digest that an ``ni`` URI names.

    Raises
    ------
    RecordInvalid
        If it names none.
    """
    named = uri.removeprefix(_NI) if uri.startswith(_NI) else ""
    try:
        digest = base64.b64decode(named + "=", altchars=b"-_", validate=True)
    except ValueError:
        digest = b""
    if len(digest) != 32:
        raise RecordInvalid(
            f"target: {uri!r} does not name a photo by its SHA-256 (an ni URI, RFC 6920)",
            field="target",
        )
    return digest.hex()


def selector_of(region: Region) -> dict[str, str]:
    """Return the selector of a region."""
    xs, ys = ([corner[k] + 0.5 for corner in region] for k in (0, 1))
    box = (min(xs), min(ys), max(xs) - min(xs), max(ys) - min(ys))
    upright = len(region) == 4 and set(zip(xs, ys, strict=True)) == {
        (x, y) for x in (min(xs), max(xs)) for y in (min(ys), max(ys))
    }
    if upright:
        value = "xywh=pixel:" + ",".join(_number(one) for one in box)
        return {"type": "FragmentSelector", "conformsTo": FRAGMENTS, "value": value}
    corners = " ".join(f"{_number(x)},{_number(y)}" for x, y in zip(xs, ys, strict=True))
    value = f'<svg xmlns="http://www.w3.org/2000/svg"><polygon points="{corners}"/></svg>'
    return {"type": "SvgSelector", "value": value}


def region_of(selector: Mapping[str, Any]) -> Region:
    """Return the region that a selector selects.

    Raises
    ------
    RecordInvalid
        If it is neither a rectangle in px nor a polygon.
    """
    value = str(selector.get("value", "")) if isinstance(selector, Mapping) else ""
    if len(value) > _LONGEST_SELECTOR:
        raise RecordInvalid(
            f"selector: {len(value):,} characters; at most {_LONGEST_SELECTOR:,} are read",
            field="selector",
        )
    number = r"(-?\d+(?:\.\d+)?)"
    box = re.fullmatch(rf"xywh=(?:pixel:)?{number},{number},{number},{number}", value)
    if box and selector.get("type") == "FragmentSelector":
        x, y, width, height = (float(one) for one in box.groups())
        left, top, right, bottom = x - 0.5, y - 0.5, x + width - 0.5, y + height - 0.5
        return ((left, top), (right, top), (right, bottom), (left, bottom))
    drawn = re.search(r"<polygon\b[^<>]*\bpoints\s*=\s*[\"']([^\"']*)[\"']", value)
    if drawn and selector.get("type") == "SvgSelector":
        numbers = [float(one) for one in re.findall(number, drawn.group(1))]
        pairs = zip(numbers[::2], numbers[1::2], strict=False)
        return tuple((x - 0.5, y - 0.5) for x, y in pairs)
    raise RecordInvalid(
        "selector: only a rectangle in px (FragmentSelector, xywh=pixel:) or a polygon "
        "(SvgSelector) can be read",
        field="selector",
    )


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _annotation(point: PointRecord) -> dict[str, Any]:
    bodies = [
        {"type": "TextualBody", "purpose": purpose, "value": getattr(point, name)}
        for name, purpose in _BODIES.items()
        if getattr(point, name)
    ]
    tags = {
        "marque": point.marque,
        "element": point.element,
        "edition": point.edition,
        "view": point.view,
        "lighting": point.lighting,
    }
    bodies += [
        {"type": "TextualBody", "purpose": "tagging", "value": f"{name}: {value}"}
        for name, value in tags.items()
    ]
    return {
        "id": f"urn:loupebook:point:{point.point_id}",
        "type": "Annotation",
        "motivation": "describing",
        "creator": {"type": "Person", "name": point.by},
        "created": point.at,
        "body": bodies,
        "target": {
            "type": "SpecificResource",
            "source": ni_of(point.sha256),
            "selector": selector_of(point.region),
        },
    }


def _items(text: str) -> list[Any]:
    try:
        page = json.loads(text)
        items = page["items"] if page["type"] == "AnnotationPage" else [page]
    except (ValueError, KeyError, TypeError, RecursionError) as exc:
        raise RecordInvalid(
            f"points: this is not a W3C annotation page: {exc}", field="points"
        ) from exc
    if not isinstance(items, list):
        raise RecordInvalid("points: 'items' must be a list of annotations", field="points")
    return items


def _read(item: Any, catalogue: Catalogue) -> DrawnPoint:
    try:
        target, bodies = item["target"], item["body"]
        sha256 = sha256_of(str(target["source"]))
        region = region_of(target["selector"])
        said = {body.get("purpose"): str(body["value"]) for body in bodies}
        texts = {name: said.get(purpose, "") for name, purpose in _BODIES.items()}
    except (KeyError, TypeError, AttributeError) as exc:
        raise RecordInvalid(
            f"points: an annotation lacks what a point needs: {exc}", field="points"
        ) from exc
    if catalogue.photo_by_sha256(sha256) is None:
        raise RecordInvalid(
            f"target: the photo {sha256[:12]}… that the point {texts['title']!r} is drawn on is "
            "not in this set; bring it in first",
            field="target",
        )
    return DrawnPoint(sha256, region, **texts)
