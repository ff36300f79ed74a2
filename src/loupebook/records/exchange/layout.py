"""How a set looks when it leaves the library, and what may come in.

Below the payload folder (``data/`` in a bag, the folder itself otherwise)::

    set.json          what the set is, who exported it, how standings were confirmed, licence
    SET_CARD.md       the same for people
    LAYOUT.md         this text
    specimens.jsonl   one specimen a line
    photos.jsonl      one photo a line
    photos/           the photo files, named by their SHA-256
    points.jsonld     points of comparison as a W3C Web Annotation page, where there are any
    manifest.csv      the same as a table; `loupebook add` reads it
    croissant.json    the same for machine learning tools (MLCommons Croissant)

``set.json``, ``specimens.jsonl``, ``photos.jsonl`` and ``photos/`` are what an import reads,
and ``points.jsonld`` where it is there; all JSON is UTF-8. Keys that are not listed below are
passed over. A key that is absent or null says "not recorded".

A line of ``specimens.jsonl``: ``name``, ``element`` (band, seal, cap), ``standing`` (genuine,
fake), ``state`` (proposed, confirmed), ``marque``, ``edition``, ``origin``, ``source``,
``confirmed_by``, ``confirmed_on`` (YYYY-MM-DD), ``basis``, ``entered_by``, ``entered_at``,
``serials`` (a list of ``{"value", "place"}``), ``notes``.

A line of ``photos.jsonl``: ``file`` (``photos/…``), ``sha256`` (of that file),
``original_sha256`` (of the file in the library it comes from, where metadata were removed),
``specimen`` (a name in ``specimens.jsonl``), ``view`` (face, left-edge, right-edge, back, head,
foot), ``lighting`` (diffuse, raking, tilt, transmitted, uv-a), ``file_name``, ``captured_at``,
``camera`` (``make``, ``model``, ``lens``), ``px_per_mm``. Sizes and media types are found by
decoding, never taken from here.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loupebook.errors import BagRefused, RecordInvalid
from loupebook.records.checks import clean_record, clean_scale
from loupebook.records.model import (
    Camera,
    Element,
    IntakeState,
    Lighting,
    PhotoRecord,
    Provenance,
    Serial,
    SpecimenRecord,
    Standing,
    View,
)
from loupebook.records.photo_store import is_digest
from loupebook.records.text import clean_name, read_choice, shown

LAYOUT = "loupebook-set/1"
SET_FILE = "set.json"
SPECIMENS_FILE = "specimens.jsonl"
PHOTOS_FILE = "photos.jsonl"
POINTS_FILE = "points.jsonld"
PHOTO_FOLDER = "photos"
SUFFIXES = {
    "image/jpeg": ".jpg",
    "image/png": ".png",
    "image/webp": ".webp",
    "image/tiff": ".tif",
    "image/heic": ".heic",
    "image/heif": ".heif",
}
MOST_LINE_BYTES = 1 << 20
MOST_LINES = 2_000_000
MOST_FILE_BYTES = 1_000_000_000
"""Size of a file of the catalogue, in bytes."""
_PROVENANCE = ("source", "confirmed_by", "confirmed_on", "basis", "entered_by", "entered_at")


@dataclass(frozen=True)
class BagPhoto:
    """A photo as a bag describes it."""

    file: str
    sha256: str
    specimen: str
    view: View
    lighting: Lighting
    file_name: str
    original_sha256: str | None = None
    captured_at: str | None = None
    camera: Camera = field(default_factory=Camera)
    px_per_mm: float | None = None


@dataclass(frozen=True)
class Payload:
    """What a payload folder holds, read and checked for itself.

    Parameters
    ----------
    folder : Path
        Where the files lie.
    set : mapping
        What ``set.json`` says.
    specimens : tuple of SpecimenRecord
        In the order of the file.
    photos : mapping
        Specimen to its photos.
    points : str or None
        The annotation page, JSON text, unread.
    """

    folder: Path
    set: Mapping[str, Any]
    specimens: tuple[SpecimenRecord, ...]
    photos: Mapping[str, tuple[BagPhoto, ...]]
    points: str | None = None

    @property
    def set_id(self) -> str:
        """The identifier of the set that it comes from."""
        return str(self.set["set_id"])

    @property
    def set_name(self) -> str:
        """The name of the set that it comes from."""
        return str(self.set["name"])


def photo_path(sha256: str, media_type: str) -> str:
    """Return where a photo lies, relative to the payload folder."""
    return f"{PHOTO_FOLDER}/{sha256}{SUFFIXES.get(media_type, '')}"


def specimen_line(record: SpecimenRecord) -> dict[str, Any]:
    """Return a specimen as it is written."""
    return {
        "name": record.name,
        "element": record.element.value,
        "standing": record.standing.value,
        "state": record.state.value,
        "marque": record.marque,
        "edition": record.edition,
        "origin": record.origin,
        **{name: getattr(record.provenance, name) for name in _PROVENANCE},
        "serials": [{"value": one.value, "place": one.place} for one in record.serials],
        "notes": record.notes,
    }


def photo_line(photo: PhotoRecord, sha256: str, media_type: str) -> dict[str, Any]:
    """Return a photo as it is written; `sha256` and `media_type` are of the file written."""
    return {
        "file": photo_path(sha256, media_type),
        "sha256": sha256,
        "original_sha256": None if sha256 == photo.sha256 else photo.sha256,
        "specimen": photo.specimen,
        "view": photo.view.value,
        "lighting": photo.lighting.value,
        "file_name": photo.file_name,
        "media_type": media_type,
        "width": photo.width,
        "height": photo.height,
        "captured_at": photo.captured_at,
        "camera": {
            "make": photo.camera.make,
            "model": photo.camera.model,
            "lens": photo.camera.lens,
        },
        "px_per_mm": photo.px_per_mm,
    }


def read_payload(folder: Path) -> Payload:
    """Read a payload folder; the photo files themselves are not looked at.

    Raises
    ------
    BagRefused
        Anything in it is wrong; all of it is told at once.
    """
    faults: list[str] = []
    about = _read_set(folder, faults)
    specimens = _each(folder / SPECIMENS_FILE, _read_specimen, faults)
    photos = _each(folder / PHOTOS_FILE, _read_photo, faults)
    faults += _disagreements(specimens, photos)
    points = folder / POINTS_FILE
    text = _read_text(points, faults) if points.exists() else None
    if faults:
        raise BagRefused("The catalogue in the bag cannot be taken in:", tuple(faults))
    held: dict[str, list[BagPhoto]] = {one.name: [] for one in specimens}
    for photo in photos:
        held[photo.specimen].append(photo)
    photos_of = {name: tuple(some) for name, some in held.items()}
    return Payload(folder, about, tuple(specimens), photos_of, text)


def _disagreements(specimens: list[SpecimenRecord], photos: list[BagPhoto]) -> Iterator[str]:
    known = Counter(one.name for one in specimens)
    if twice := sorted(name for name, count in known.items() if count > 1):
        yield f"{SPECIMENS_FILE}: several lines for {', '.join(map(shown, twice))}"
    held: dict[str, str] = {}
    for photo in photos:
        if photo.specimen not in known:
            yield f"{PHOTOS_FILE}: specimen {shown(photo.specimen)} is not in {SPECIMENS_FILE}"
        if held.setdefault(photo.sha256, photo.specimen) != photo.specimen:
            yield f"{PHOTOS_FILE}: {photo.file} is given to several specimens"


def _read_set(folder: Path, faults: list[str]) -> Mapping[str, Any]:
    text = _read_text(folder / SET_FILE, faults)
    about = None if text is None else _object(text, SET_FILE, faults)
    if about is None:
        return {}
    if about.get("layout") != LAYOUT:
        faults.append(
            f"{SET_FILE}: the layout is {shown(str(about.get('layout')))}, this program reads "
            f"{LAYOUT}; see LAYOUT.md"
        )
    for name in ("set_id", "name"):
        try:
            clean_name(_text(about, name) or "", name)
        except RecordInvalid as exc:
            faults.append(f"{SET_FILE}: {exc}")
    return about


def _each(path: Path, read: Any, faults: list[str]) -> list[Any]:
    text = _read_text(path, faults)
    found: list[Any] = []
    for number, line in enumerate((text or "").split("\n"), start=1):
        where = f"{path.name}, line {number}"
        if number > MOST_LINES:
            faults.append(f"{path.name}: more than {MOST_LINES:,} lines")
            break
        if len(line) > MOST_LINE_BYTES:
            faults.append(f"{where}: longer than {MOST_LINE_BYTES:,} characters")
        elif line.strip() and (told := _object(line, where, faults)) is not None:
            try:
                found.append(read(told))
            except RecordInvalid as exc:
                faults.append(f"{where}: {exc}")
    return found


def _read_specimen(told: Mapping[str, Any]) -> SpecimenRecord:
    serials = told.get("serials") or []
    if not isinstance(serials, list) or not all(isinstance(one, dict) for one in serials):
        raise RecordInvalid("serials: a list of objects is wanted", field="serials")
    state = read_choice(IntakeState, _text(told, "state") or "confirmed", "state")
    if state is IntakeState.WITHDRAWN:
        raise RecordInvalid("state: a withdrawn specimen is not taken in", field="state")
    record = clean_record(
        SpecimenRecord(
            name=_text(told, "name") or "",
            element=read_choice(Element, _text(told, "element") or "", "element"),
            standing=read_choice(Standing, _text(told, "standing") or "", "standing"),
            state=state,
            marque=_text(told, "marque"),
            edition=_text(told, "edition"),
            origin=_text(told, "origin"),
            provenance=Provenance(*(_text(told, name) for name in _PROVENANCE)),
            serials=tuple(
                Serial(_text(one, "value") or "", _text(one, "place")) for one in serials
            ),
            notes=_text(told, "notes"),
        )
    )
    if record.edition is not None and record.marque is None:
        raise RecordInvalid("marque: an edition needs the marque that it belongs to")
    return record


def _read_photo(told: Mapping[str, Any]) -> BagPhoto:
    sha256 = _text(told, "sha256") or ""
    original = _text(told, "original_sha256")
    for name, value in (("sha256", sha256), ("original_sha256", original)):
        if value is not None and not is_digest(value):
            raise RecordInvalid(f"{name}: {shown(value)} is no SHA-256", field=name)
    file = _text(told, "file") or ""
    folder, _, base = file.partition("/")
    stem = base.partition(".")[0]
    if folder != PHOTO_FOLDER or stem != sha256 or "/" in base or "\\" in base:
        raise RecordInvalid(
            f"file: {shown(file)} is not {PHOTO_FOLDER}/ and the photo's SHA-256", field="file"
        )
    camera = told.get("camera") or {}
    if not isinstance(camera, dict):
        raise RecordInvalid("camera: an object is wanted", field="camera")
    scale = told.get("px_per_mm")
    if scale is not None and (isinstance(scale, bool) or not isinstance(scale, int | float)):
        raise RecordInvalid("px_per_mm: a number is wanted", field="px_per_mm")
    return BagPhoto(
        file=file,
        sha256=sha256,
        specimen=clean_name(_text(told, "specimen") or "", "specimen"),
        view=read_choice(View, _text(told, "view") or "", "view"),
        lighting=read_choice(Lighting, _text(told, "lighting") or "", "lighting"),
        file_name=_text(told, "file_name") or base,
        original_sha256=original,
        captured_at=_text(told, "captured_at"),
        camera=Camera(*(_text(camera, name) for name in ("make", "model", "lens"))),
        px_per_mm=None if scale is None else clean_scale(scale),
    )


def _text(told: Mapping[str, Any], name: str) -> str | None:
    value = told.get(name)
    if value is not None and not isinstance(value, str):
        raise RecordInvalid(f"{name}: text is wanted, not {type(value).__name__}", field=name)
    return value


def _read_text(path: Path, faults: list[str]) -> str | None:
    try:
        if path.stat().st_size > MOST_FILE_BYTES:
            faults.append(f"{path.name}: larger than {MOST_FILE_BYTES:,} bytes")
            return None
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        faults.append(f"{path.name}: missing; every bag of this layout has it")
    except OSError as exc:
        faults.append(f"{path.name}: cannot be read ({exc.strerror})")
    except UnicodeDecodeError:
        faults.append(f"{path.name}: not UTF-8 text")
    return None


def _object(text: str, where: str, faults: list[str]) -> Mapping[str, Any] | None:
    def no_number(word: str) -> float:
        raise ValueError(f"{word} is not a number of JSON")

    try:
        told = json.loads(text, parse_constant=no_number)
    except (ValueError, RecursionError) as exc:
        faults.append(f"{where}: not JSON ({exc})")
        return None
    if not isinstance(told, dict):
        faults.append(f"{where}: a JSON object is wanted")
        return None
    return told
