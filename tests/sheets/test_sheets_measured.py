"""Measurements in words: true for the result, and for what the item was held against."""

from __future__ import annotations

import pytest

from loupebook.compare.comparison import FEWEST_KNOWN, Verdict, borne_verdict
from loupebook.compare.measures import ALL
from loupebook.sheets.measured import (
    LOOK,
    Word,
    beyond_words,
    figure_words,
    finding_words,
    limit_words,
    measured_title,
    result_words,
    unit_words,
    word_of,
)

NAMES = [one.name for one in ALL]


def row(name: str, verdict: str, **more: object) -> dict[str, object]:
    kind = next(one for one in ALL if one.name == name)
    z = {"agrees": 0.4, "differs": 6.0, "cannot tell": None}[verdict]
    value = None if z is None else 1.25
    told = {"name": name, "value": value, "unit": kind.unit, "z": z, "verdict": verdict}
    return {**told, "says": kind.says, "reason": None, **more}


def compared(*rows: dict[str, object], standing: str | None) -> dict[str, object]:
    return {
        "reference": "Edition A", "reference_standing": standing, "measurements": list(rows),
        "says": "Not compared: too little print.",
    }  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_a_row_that_agrees_names_no_fault_and_one_that_differs_does(name: str) -> None:
    agrees, differs = (
        result_words(row(name, verdict), "genuine") for verdict in ("agrees", "differs")
    )
    assert agrees != differs
    assert row(name, "agrees")["says"] not in agrees
    assert "usual among known genuine ones" in agrees
    assert "usual" not in differs


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("verdict", ["agrees", "differs", "cannot tell"])
def test_held_against_a_fake_no_row_speaks_of_genuine_ones(name: str, verdict: str) -> None:
    held = row(name, verdict, reason="the photo is too soft beside genuine ones")
    for words in (result_words(held, "fake"), unit_words(held, "fake")):
        assert "genuine" not in words
    assert "known fakes of this print origin" in result_words(held, "fake") or name == "UV plate"


def test_a_reason_names_what_it_was_held_against() -> None:
    for saved in ("the photo is too soft beside the known ones", "too soft beside genuine ones"):
        held = row("structure", "cannot tell", reason=saved)
        assert result_words(held, "genuine").endswith("soft beside known genuine ones")
        assert result_words(held, "fake").endswith("soft beside known fakes of this print origin")


def test_between_agreeing_and_differing_it_says_so() -> None:
    between = row(
        "colour", "cannot tell", value=17.5, z=3.1, reason="more than usual among genuine"
    )
    assert result_words(between, "fake") == (
        "more than is usual among known fakes of this print origin, but not beyond doubt"
    )


def test_what_was_not_measured_is_a_dash_and_a_figure_says_of_what() -> None:
    assert figure_words(row("cut outline", "cannot tell"), "genuine") == "—"
    assert beyond_words(row("cut outline", "cannot tell")) == "—"
    lines = row("line work", "agrees", value=14.8213, z=-0.04)
    assert figure_words(lines, "genuine") == "14.8 % of the strength of fine lines missing"
    assert beyond_words(lines) == "0.0"
    soft = row("edge sharpness", "agrees", value=-0.0356, z=-1.26)
    assert figure_words(soft, "genuine").startswith("−0.0356 mm more blur than known genuine ones")
    assert "minus: less blur" in figure_words(soft, "genuine")
    assert beyond_words(soft) == "−1.3"


def test_the_finding_names_what_it_was_held_against_and_claims_nothing() -> None:
    rows = [row("structure", "agrees"), row("colour", "agrees"), row("geometry", "cannot tell")]
    genuine = finding_words(compared(*rows, standing="genuine"))
    assert genuine == (
        "2 of 3 measurements agree with known genuine ones; none differs beyond doubt. Good "
        "copies may agree as well."
    )
    fake = finding_words(compared(*rows, standing="fake"))
    assert "known fakes of this print origin" in fake
    assert "does not make it one of them" in fake
    assert measured_title(compared(standing="fake")) == (
        "Measured against known fakes of this print origin: Edition A (fake)"
    )
    assert "the reference" in finding_words(compared(*rows, standing=None))


def test_differences_are_named_and_nothing_measured_keeps_its_reason() -> None:
    rows = [row("structure", "agrees"), row("colour", "differs")]
    said = finding_words(compared(*rows, standing="fake"))
    assert said == (
        "Differs from known fakes of this print origin beyond what is usual: colour (an ink or the "
        "paper has another colour than on known fakes of this print origin)."
    )
    assert finding_words(compared(standing="genuine")) == "Not compared: too little print."


def colours(**more: object) -> dict[str, object]:
    limits = {"value": 12.8, "z": 1.95, "usual": 5.4, "usual_to": 13.1, "known_photos": 5}
    return row("colour", "agrees", **(limits | more))


def test_near_its_limit_a_figure_does_not_agree_but_asks_for_eyes() -> None:
    near = colours()
    assert word_of(near) is Word.NEAR
    assert "compare by eye" in result_words(near, "genuine")
    assert word_of(colours(z=0.9)) is Word.AGREES
    assert finding_words(compared(near, row("structure", "agrees"), standing="genuine")) == (
        "1 of 2 measurements agree with known genuine ones; none differs beyond doubt. Compare by "
        "eye: colour. Good copies may agree as well."
    )


def test_more_than_usual_asks_for_eyes_before_all_else() -> None:
    above = row("line work", "cannot tell", value=50.0, z=2.4)
    assert word_of(above) is Word.ABOVE
    assert finding_words(compared(above, colours(), standing="genuine")) == (
        "No measurement differs from known genuine ones beyond doubt, and none plainly agrees. "
        "More than is usual, look there: line work. Compare by eye: colour."
    )


def test_the_limit_stands_beside_the_figure_with_what_it_rests_on() -> None:
    assert limit_words(colours()) == "usual up to 13.1, by 5 known photos"
    assert limit_words(colours(known_photos=0)) == "usual up to 13.1, by other designs"
    assert limit_words(row("colour", "agrees")) == ""


@pytest.mark.parametrize("known", range(FEWEST_KNOWN))
def test_few_known_photos_never_agree_but_still_differ(known: int) -> None:
    few = colours(z=-0.5, known_photos=known)
    assert word_of(few) is Word.FEW
    assert "compare by eye" in result_words(few, "genuine")
    assert word_of(row("colour", "differs", known_photos=known)) is Word.DIFFERS


@pytest.mark.parametrize("known", range(FEWEST_KNOWN))
def test_the_verdict_says_so_too_where_too_few_known_photos_bear_it(known: int) -> None:
    verdict, reason = borne_verdict(0.4, 5.4, 13.1, known)
    assert (verdict, reason) == (Verdict.CANNOT_TELL, str(Word.FEW))
    few = {**colours(z=0.4, known_photos=known), "verdict": str(verdict), "reason": reason}
    assert word_of(few) is Word.FEW
    assert limit_words(few) == limit_words(colours(z=0.4, known_photos=known))
    assert "more than is usual" not in result_words(few, "genuine")
    assert borne_verdict(2.4, 5.4, 13.1, known)[0] is Verdict.CANNOT_TELL
    assert borne_verdict(3.4, 5.4, 13.1, known) == (Verdict.DIFFERS, "")
    assert borne_verdict(0.4, 5.4, 13.1, FEWEST_KNOWN) == (Verdict.AGREES, "")


def test_a_limit_too_wide_bears_no_verdict_and_one_just_above_keeps_its_word() -> None:
    verdict, reason = borne_verdict(0.3, 0.02, 62.5, 9)
    assert (verdict, reason) == (Verdict.CANNOT_TELL, str(Word.WIDE))
    limits = {"usual": 0.02, "usual_to": 62.5}
    wide = {**colours(z=0.3, **limits), "verdict": str(verdict), "reason": reason}
    assert word_of(wide) is Word.WIDE
    # 2.004 lies above the limit of 2 and is kept as 2.0.
    assert word_of({**colours(z=2.0), "verdict": "cannot tell"}) is Word.ABOVE


def test_limits_so_wide_that_nothing_exceeds_them_tell_nothing() -> None:
    wide = {"usual": 0.02, "usual_to": 62.5}
    for known in (2, 5):
        assert word_of(colours(z=0.3, known_photos=known, **wide)) is Word.WIDE
    assert Word.WIDE not in LOOK
    for told in (colours(z=0.3, **wide), colours(z=None, **wide)):
        assert limit_words(told) == ""
        assert "62.5" not in result_words(told, "genuine")
    beyond = row("colour", "differs", usual=0.02, usual_to=62.5, known_photos=5, z=4.0)
    assert word_of(beyond) is Word.DIFFERS
    assert "62.5" in limit_words(beyond)


def test_a_limit_too_wide_is_neither_agreement_nor_something_to_look_at() -> None:
    wide = colours(z=0.3, usual=0.02, usual_to=62.5)
    untold = "What is usual among known genuine ones varies too much to tell: colour."
    assert finding_words(compared(wide, standing="genuine")) == untold
    said = finding_words(compared(wide, row("structure", "agrees"), standing="genuine"))
    assert said.startswith("1 of 2 measurements agree")
    assert untold in said
    assert "by eye" not in said


@pytest.mark.parametrize("verdict", ["agrees", "differs"])
def test_a_poor_photo_and_another_design_bear_no_verdict(verdict: str) -> None:
    held = row("colour", verdict)
    assert word_of(held, poor=True) is Word.POOR
    assert word_of(held, far=True) is Word.FAR
    assert result_words(held, "genuine", far=True) == ""
    assert "mean nothing" in finding_words(compared(held, standing="genuine"), far=True)
    assert "too poor" in finding_words(compared(held, standing="genuine"), poor=True)
    assert not LOOK & {Word.AGREES, Word.DIFFERS, Word.POOR, Word.FAR}
