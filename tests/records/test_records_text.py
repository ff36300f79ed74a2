from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loupebook.errors import RecordInvalid
from loupebook.records.model import Lighting, View
from loupebook.records.text import (
    NAME_LIMIT,
    clean_date,
    clean_name,
    clean_notes,
    design_phrase,
    read_choice,
    shown,
    tame,
)


def test_name_is_trimmed_and_composed() -> None:
    assert clean_name("  Cafe\u0301 Nº 4 ", "specimen") == "Café Nº 4"


def test_emoji_and_path_like_names_are_plain_text() -> None:
    for name in ("🙂", "👩‍🔬 lab", "../../etc/passwd", "a/b\\c", "'; DROP TABLE photo; --"):
        assert clean_name(name, "specimen") == name


@pytest.mark.parametrize(
    "name",
    [
        "",
        "   ",
        "\u200b",
        "a\nb",
        "a\x00b",
        "a\x1bb",
        "a\u2028b",
        "fake\u202egnp",
        "\ud800",
        "x" * (NAME_LIMIT + 1),
    ],
)
def test_names_refused(name: str) -> None:
    with pytest.raises(RecordInvalid) as caught:
        clean_name(name, "specimen")
    assert caught.value.field == "specimen"
    assert str(caught.value).startswith("specimen: ")
    str(caught.value).encode("utf-8")


@given(st.text())
def test_a_cleaned_name_stays_as_it_is(text: str) -> None:
    try:
        cleaned = clean_name(text, "specimen")
    except RecordInvalid:
        return
    assert clean_name(cleaned, "specimen") == cleaned
    assert cleaned == unicodedata.normalize("NFC", text).strip()


def test_notes_keep_lines() -> None:
    assert clean_notes(" one\r\ntwo\tmore\rthree \n", "notes") == "one\ntwo\tmore\nthree"
    assert clean_notes(" \n ", "notes") is None
    with pytest.raises(RecordInvalid):
        clean_notes("bell\x07", "notes")


@pytest.mark.parametrize("text", ["2024-02-29", " 2024-12-31 "])
def test_dates_allowed(text: str) -> None:
    assert clean_date(text, "confirmed_on") == text.strip()


@pytest.mark.parametrize(
    "text",
    ["2023-02-29", "2024-13-01", "09.03.2024", "20240309", "2024-W10-6", "2024-3-9", "today"],
)
def test_dates_refused(text: str) -> None:
    with pytest.raises(RecordInvalid, match="YYYY-MM-DD"):
        clean_date(text, "confirmed_on")


@pytest.mark.parametrize("text", ["left edge", "Left_Edge", " LEFT-EDGE ", "left  edge"])
def test_choices_are_read_leniently(text: str) -> None:
    assert read_choice(View, text, "view") is View.LEFT_EDGE


def test_choice_refused_names_what_is_allowed() -> None:
    with pytest.raises(RecordInvalid, match="diffuse, raking, tilt, transmitted, uv-a") as caught:
        read_choice(Lighting, "sunlight", "lighting")
    assert caught.value.field == "lighting"


@given(st.text(st.characters(), max_size=400))
def test_tame_text_is_always_fit_to_store(text: str) -> None:
    tamed = tame(text)
    assert tamed is None or (tamed.encode("utf-8") and tamed == tame(tamed))
    assert tamed is None or not any(unicodedata.category(c) in {"Cc", "Cs"} for c in tamed)


@given(st.text(st.characters(), max_size=400))
def test_shown_text_is_short_and_printable(text: str) -> None:
    assert shown(text).isprintable()
    assert len(shown(text)) <= 63


@pytest.mark.parametrize(
    ("marque", "edition", "phrase"),
    [
        ("Ro", "Ro Largo", "Ro Largo"),
        ("Ro", "Ro", "Ro"),
        ("Ro", "Roma", "Ro, Roma"),
        ("Ro", None, "Ro"),
        (None, "Largo", "Largo"),
        (None, None, ""),
    ],
)
def test_a_design_names_its_marque_once(
    marque: str | None, edition: str | None, phrase: str
) -> None:
    assert design_phrase(marque, edition) == phrase
