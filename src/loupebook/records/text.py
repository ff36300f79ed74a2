"""Cleaning of what people type, before it becomes part of a record.

Conventions: every function returns the text to be stored or raises
:class:`~loupebook.errors.RecordInvalid` naming the field; text is Unicode NFC. Nothing
typed by a person is ever used as a path, so ``../`` and emoji are plain characters here.
"""

from __future__ import annotations

import re
import unicodedata
from datetime import date
from enum import StrEnum
from typing import TypeVar

from loupebook.errors import RecordInvalid

NAME_LIMIT = 200
"""Longest name, in characters."""
LINE_LIMIT = 2_000
"""Longest one-line statement (source, basis, reason), in characters."""
NOTES_LIMIT = 10_000
"""Longest free text, in characters."""

_ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
# Direction overrides make a name read otherwise than it is stored.
_OVERRIDES = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_REFUSED_CATEGORIES = frozenset({"Cc", "Cs", "Zl", "Zp"})

Choice = TypeVar("Choice", bound=StrEnum)


def clean_name(value: str, field: str) -> str:
    """Return a one-line name: trimmed, NFC, 1 to 200 characters, no control characters.

    Raises
    ------
    RecordInvalid
        The name is empty, invisible, too long or holds a control character.
    """
    return _one_line(value, field, NAME_LIMIT)


def clean_line(value: str, field: str) -> str:
    """Return a one-line statement of 1 to 2,000 characters, cleaned like a name.

    Raises
    ------
    RecordInvalid
        The text is empty, too long or holds a control character.
    """
    return _one_line(value, field, LINE_LIMIT)


def require_text(value: object, field: str) -> str:
    """Return a value that is text.

    Raises
    ------
    RecordInvalid
        It is a number or anything else.
    """
    if not isinstance(value, str):
        raise RecordInvalid(f"{field}: {shown(repr(value))} is no text; write a text", field=field)
    return value


def clean_notes(value: str, field: str) -> str | None:
    r"""Return free text (line breaks as ``\n``, tabs kept), or None if it says nothing.

    Raises
    ------
    RecordInvalid
        The text is longer than 10,000 characters or holds a control character.
    """
    value = require_text(value, field)
    text = unicodedata.normalize("NFC", value.replace("\r\n", "\n").replace("\r", "\n")).strip()
    if not text:
        return None
    _refuse_control(text.replace("\n", " ").replace("\t", " "), field)
    _refuse_length(text, field, NOTES_LIMIT)
    return text


def clean_date(value: str, field: str) -> str:
    """Return an ISO 8601 calendar date, ``YYYY-MM-DD``.

    Raises
    ------
    RecordInvalid
        The text is no such date.
    """
    text = require_text(value, field).strip()
    if _ISO_DATE.fullmatch(text):
        try:
            return date.fromisoformat(text).isoformat()
        except ValueError:
            pass
    raise RecordInvalid(
        f"{field}: {shown(text)} is not a date; write it as YYYY-MM-DD, for example 2024-03-09",
        field=field,
    )


def read_choice(kind: type[Choice], value: str | None, field: str) -> Choice:
    """Return the member that a text means, whatever its case and its spaces or underscores.

    Raises
    ------
    RecordInvalid
        The text names no member, or there is none; the message lists those that are allowed.
    """
    allowed = ", ".join(kind)
    if value is None:
        raise RecordInvalid(f"{field}: it cannot be left empty; use one of: {allowed}", field=field)
    key = re.sub(r"[\s_]+", "-", require_text(value, field).strip()).casefold()
    try:
        return kind(key)
    except ValueError:
        raise RecordInvalid(
            f"{field}: {shown(value)} is not allowed; use one of: {allowed}", field=field
        ) from None


def design_phrase(marque: str | None, edition: str | None, *, between: str = ", ") -> str:
    """Return marque and edition as one phrase; the marque once, where the edition names it.

    Empty if neither is recorded.
    """
    if marque and edition and f"{edition} ".startswith(f"{marque} "):
        return edition
    return between.join(part for part in (marque, edition) if part)


def same_person_key(name: str) -> str:
    """Return a name as it is compared with another to tell whether both mean one person."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def same_name_key(name: str) -> str:
    """Return a name as it is compared with another that may be the same, spelt otherwise.

    Case, white space, characters that cannot be seen (as the soft hyphen) and compatibility
    forms (as full-width letters) make no difference.
    """
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    kept = (one for one in folded if unicodedata.category(one) != "Cf")
    return "".join("".join(kept).split())


def tame(value: str | None) -> str | None:
    """Return text that a device or a file system wrote, made fit to store and to show.

    Nobody can be asked to correct it, so control characters are replaced rather than
    refused, and it is cut at 200 characters. None if nothing is left.
    """
    if value is None:
        return None
    text = unicodedata.normalize("NFC", value)
    text = "".join("\ufffd" if _is_refused(character) else character for character in text)
    return text.strip()[:NAME_LIMIT].strip() or None


def shown(value: str) -> str:
    """Return a quoted, printable, short form of a text for use in a message."""
    text = ascii(value)[1:-1] if not value.isprintable() else value
    return f"'{text[:60]}…'" if len(text) > 60 else f"'{text}'"


def _one_line(value: str, field: str, limit: int) -> str:
    text = unicodedata.normalize("NFC", require_text(value, field)).strip()
    _refuse_control(text, field)
    if all(unicodedata.category(character) in {"Cf", "Zs"} for character in text):
        raise RecordInvalid(
            f"{field}: it is empty; write at least one visible character", field=field
        )
    _refuse_length(text, field, limit)
    return text


def _refuse_control(text: str, field: str) -> None:
    for character in text:
        if _is_refused(character):
            raise RecordInvalid(
                f"{field}: {shown(text)} holds the control character U+{ord(character):04X}; "
                "remove it",
                field=field,
            )


def _refuse_length(text: str, field: str, limit: int) -> None:
    if len(text) > limit:
        raise RecordInvalid(
            f"{field}: {len(text):,} characters are too many; at most {limit:,} are allowed",
            field=field,
        )


def _is_refused(character: str) -> bool:
    return character in _OVERRIDES or unicodedata.category(character) in _REFUSED_CATEGORIES
