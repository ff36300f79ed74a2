"""The typed records of a set, as plain immutable values.

Conventions: `None` means "not recorded", never "no". Dates are ISO 8601 strings
(``YYYY-MM-DD``); instants are ISO 8601 in UTC with a trailing ``Z``. Names are compared
exactly as typed after trimming white space.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple


class Element(StrEnum):
    """What kind of item a specimen is."""

    BAND = "band"
    SEAL = "seal"
    CAP = "cap"


class Standing(StrEnum):
    """What is known of a specimen. Only references have one; a query never has."""

    GENUINE = "genuine"
    FAKE = "fake"


class IntakeState(StrEnum):
    """How far a specimen has come. Only confirmed specimens are indexed."""

    PROPOSED = "proposed"
    CONFIRMED = "confirmed"
    WITHDRAWN = "withdrawn"


class View(StrEnum):
    """Which side of the item a photo shows."""

    FACE = "face"
    LEFT_EDGE = "left-edge"
    RIGHT_EDGE = "right-edge"
    BACK = "back"
    HEAD = "head"
    FOOT = "foot"


class Lighting(StrEnum):
    """How the item was lit."""

    DIFFUSE = "diffuse"
    RAKING = "raking"
    TILT = "tilt"
    TRANSMITTED = "transmitted"
    UV_A = "uv-a"


@dataclass(frozen=True)
class Provenance:
    """Who says what a specimen is, on what grounds.

    Parameters
    ----------
    source : str, optional
        Where the specimen came from.
    confirmed_by : str, optional
        Who confirmed the standing.
    confirmed_on : str, optional
        ISO date of the confirmation.
    basis : str, optional
        On what grounds it was confirmed (letter of the rights holder, purchase from the
        source, laboratory, court).
    entered_by : str, optional
        Who entered the record.
    entered_at : str, optional
        Instant of entry.
    """

    source: str | None = None
    confirmed_by: str | None = None
    confirmed_on: str | None = None
    basis: str | None = None
    entered_by: str | None = None
    entered_at: str | None = None


@dataclass(frozen=True)
class Serial:
    """One serial number as read at one place of a specimen.

    Parameters
    ----------
    value : str
        The number as printed.
    place : str, optional
        Where on the item it was read (``left``, ``crest``…).
    """

    value: str
    place: str | None = None


@dataclass(frozen=True)
class Camera:
    """What the photo's own metadata says of the phone or camera, all optional."""

    make: str | None = None
    model: str | None = None
    lens: str | None = None


@dataclass(frozen=True)
class PhotoRecord:
    """One image of one specimen.

    Parameters
    ----------
    photo_id : int
        Row id in the catalogue; FAISS ids refer to it.
    sha256 : str
        Hex digest of the original bytes; the key in the photo store.
    specimen : str
        Name of the specimen it shows.
    view, lighting
        How the photo was taken.
    file_name : str
        Name of the file as it was handed in (base name only).
    media_type : str
        IANA media type as found by decoding, never by extension.
    byte_count : int
        Size of the original in bytes.
    width, height : int
        Size in px after EXIF orientation.
    captured_at : str, optional
        Local capture time as the camera wrote it.
    camera : Camera
        Maker, model and lens, where known.
    px_per_mm : float, optional
        Scale in the item's plane, where known.
    check : str
        Photo check as JSON (see ``loupebook.imaging``); a poor photo is kept and marked.
    """

    photo_id: int
    sha256: str
    specimen: str
    view: View
    lighting: Lighting
    file_name: str
    media_type: str
    byte_count: int
    width: int
    height: int
    captured_at: str | None = None
    camera: Camera = field(default_factory=Camera)
    px_per_mm: float | None = None
    check: str = "{}"


@dataclass(frozen=True)
class NewPhoto:
    """A photo about to be recorded: everything of :class:`PhotoRecord` but its row id."""

    data: bytes
    file_name: str
    media_type: str
    width: int
    height: int
    view: View = View.FACE
    lighting: Lighting = Lighting.DIFFUSE
    captured_at: str | None = None
    camera: Camera = field(default_factory=Camera)
    px_per_mm: float | None = None
    check: str = "{}"


@dataclass(frozen=True)
class SpecimenRecord:
    """One physical object with a known standing.

    Parameters
    ----------
    name : str
        The specimen's unique name within its set.
    element, standing, state
        See the vocabulary.
    marque, edition, origin : str, optional
        Names; an edition belongs to one marque and element.
    provenance : Provenance
        Who says so, and why.
    serials : tuple of Serial
        Serial numbers read on the specimen.
    notes : str, optional
        Free text.
    withdrawn_reason : str, optional
        Why it was withdrawn, if it was.
    """

    name: str
    element: Element
    standing: Standing
    state: IntakeState = IntakeState.CONFIRMED
    marque: str | None = None
    edition: str | None = None
    origin: str | None = None
    provenance: Provenance = field(default_factory=Provenance)
    serials: tuple[Serial, ...] = ()
    notes: str | None = None
    withdrawn_reason: str | None = None


@dataclass(frozen=True)
class SetInfo:
    """What a set says of itself.

    Parameters
    ----------
    set_id : str
        Random identifier, made once; derived files name it.
    name : str
        Name of the set.
    created_at : str
        Instant of creation.
    change_counter : int
        Grows with every committed change; derived files remember the value they saw.
    two_person : bool
        Whether confirmation takes a second named person.
    notice : str, optional
        A line shown wherever the set is shown (the demo says here that it is invented).
    """

    set_id: str
    name: str
    created_at: str
    change_counter: int
    two_person: bool = False
    notice: str | None = None


class PhotoFacts(NamedTuple):
    """What search and reports need to know of a photo, without opening its record.

    A named tuple because tens of thousands are made at once.

    Parameters
    ----------
    specimen : str
        Name of the specimen that the photo shows.
    element, standing, state
        See the vocabulary.
    marque, edition, origin : str or None
        Names; None is "not recorded".
    view, lighting
        How the photo was taken.
    """

    specimen: str
    element: Element
    standing: Standing
    marque: str | None
    edition: str | None
    origin: str | None
    view: View
    lighting: Lighting
    state: IntakeState


@dataclass(frozen=True)
class DesignNames:
    """How a specimen on record names its element, marque, edition and print origin."""

    element: Element
    marque: str | None
    edition: str | None
    origin: str | None


@dataclass(frozen=True)
class EditionRecord:
    """A design of one element of one marque."""

    marque: str
    element: Element
    name: str


@dataclass(frozen=True)
class EventRecord:
    """One line of a set's log: who did what, when, to which specimen.

    Parameters
    ----------
    event_id : int
        Position in the log; grows, never reused.
    at : str
        Instant.
    actor : str
        The person named by the caller.
    action : str
        What was done (``add-specimen``, ``withdraw``…).
    specimen : str, optional
        The specimen concerned.
    detail : str
        What exactly was written, as canonical JSON.
    change_number : int
        The set's change counter after the change.
    state, chain : str
        Digests that bind the line to the records and to the line before it; see
        :mod:`loupebook.records.audit`.
    """

    event_id: int
    at: str
    actor: str
    action: str
    specimen: str | None
    detail: str
    change_number: int
    state: str
    chain: str
