"""The page Practice, without a browser."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from app_driver import PAGES, opened, told, words

from loupebook.library import RoundDefinition
from taught_set import opened_copy

PAGES["practice"] = "views/practice.py"


def test_an_answer_pressed_twice_is_explained_and_goes_on(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, tmp_path / "set")
    with opened_copy(taught_folder, tmp_path / "set") as library:
        library.practice.make_round("Bands", RoundDefinition(questions=2), by="a trainer")
        at = opened("practice")
        assert at.multiselect(key="round-editions").options == ["Marque A, Edition A, band"]
        at.text_input(key="practice-learner").set_value("Lea")
        next(one for one in at.button if one.label == "Begin").click().run()
        sitting = at.session_state["practice-sitting"]
        asked = sitting.photo_ids[0]
        next(one for one in at.radio if one.label == "Your judgement").set_value("fake").run()
        # The run of the first press got as far as the record when the second cut it off.
        first = library.practice.answer(sitting, asked, given="fake", confidence=0.8)
        at.button(key=f"answer-{asked}").click().run()
        assert not at.exception
        assert ("Right" if first.answer.right else "Wrong") in words(at)
        next(one for one in at.button if one.label == "Next").click().run()
        assert not at.exception
        assert at.button(key=f"answer-{sitting.photo_ids[1]}")
        assert len(library.practice.answers()) == 1


def test_a_round_just_made_is_there_to_take(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, tmp_path / "set")
    with opened_copy(taught_folder, tmp_path / "set"):
        at = opened("practice")
        assert "There is no round yet" in words(at)
        at.text_input(key="round-name").set_value("Bands *1*")
        at.text_input(key="round-by").set_value("a trainer")
        next(one for one in at.button if one.label == "Make the round").click().run()
        assert not at.exception
        assert "is ready" in at.success[0].value
        assert at.selectbox(key="practice-round").options == ["Bands *1*"]
        at.run()
        assert not at.success


def test_a_round_under_uv_a_cautions(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(monkeypatch, tmp_path / "set")
    # No answer is given, so that nothing need be made ahead.
    monkeypatch.setattr("parts.practising._look_ahead", lambda *_: None)
    with opened_copy(taught_folder, tmp_path / "set") as library:
        library.practice.make_round("Bands", RoundDefinition(questions=1), by="a trainer")
        at = opened("practice")
        at.text_input(key="practice-learner").set_value("Lea")
        next(one for one in at.button if one.label == "Begin").click().run()
        assert not at.warning
        sitting = at.session_state["practice-sitting"]
        asked = sitting.practice_round
        lit = replace(asked, definition={**asked.definition, "lighting": "uv-a"})
        at.session_state["practice-sitting"] = replace(sitting, practice_round=lit)
        at.run()
        assert ["wear UV-blocking glasses" in one.value for one in at.warning] == [True]
