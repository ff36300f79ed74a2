"""Practice: a question, the answer in one frame with its points, and the results."""

from __future__ import annotations

from threading import Thread
from typing import TYPE_CHECKING, Any

import streamlit as st

from loupebook.errors import LoupebookError, PracticeInvalid, RecordConflict
from loupebook.library import (
    CONFIDENCES,
    DIFFICULTIES,
    Lighting,
    RoundDefinition,
    answers_csv,
    share_words,
)
from parts.component import web_component
from parts.persons import ask_name
from parts.pictures import served_pixels
from parts.progress import shown_progress
from parts.searching import say_uv
from parts.sheet import show_words
from parts.viewer import show_panes
from parts.words import CAUTION, LIGHTING, STANDING, counted, design, plain

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from loupebook.library import Explained, Library, Sitting

_judge = web_component("judge", "view")

SITTING, EXPLAINED, BEGUN = "practice-sitting", "practice-explained", "practice-number"
CANNOT_TELL = "cannot tell"
AHEAD = "practice-ahead"
MADE = "practice-round-made"
GIVEN = {"genuine": "◎ Genuine", "fake": "◆ Fake", CANNOT_TELL: "? Cannot tell"}
ABOUT = {
    "easy": "easy: copies that lie far from genuine ones, a genuine one is shown beside",
    "middle": "middle: everything",
    "hard": "hard: copies that lie near, genuine ones that lie far",
}
ON_REFERENCES = (
    "Practice is about references whose standing is known. What you learn here says nothing about "
    "any item that you examine: good copies lie near genuine ones."
)


def offer_rounds(library: Library) -> None:
    """Offer the rounds to sit, or the question that the learner has come to."""
    sitting: Sitting | None = st.session_state.get(SITTING)
    if sitting is not None:
        ask(library, sitting)
        return
    rounds = library.practice.rounds()
    if not rounds:
        st.info("There is no round yet. A trainer makes one under “Make a round”.")
        return
    by_name = {one.name: one for one in rounds}
    with st.form("begin", border=True):
        name = st.selectbox("Round", list(by_name), key="practice-round")
        learner = ask_name(library, "practice-learner")
        if not st.form_submit_button("Begin", type="primary", icon=":material/school:"):
            return
    if not learner:
        st.error("Give your name: results and what is asked next hang on it.")
        return
    try:
        begun = library.practice.sit(by_name[name], learner=learner)
    except PracticeInvalid as error:
        st.warning(plain(str(error)))
        return
    st.session_state[SITTING] = begun
    st.session_state[BEGUN] = 0
    st.rerun()


def ask(library: Library, sitting: Sitting) -> None:
    """Show one question, or its answer, or the end."""
    number = st.session_state[BEGUN]
    if number >= len(sitting.photo_ids):
        finish(library, sitting)
        return
    photo_id = sitting.photo_ids[number]
    total = len(sitting.photo_ids)
    st.progress(number / total, text=f"Question {number + 1} of {total}")
    say_uv(Lighting(sitting.practice_round.definition["lighting"]))
    explained: Explained | None = st.session_state.get(EXPLAINED)
    if explained is not None and explained.answer.photo_id == photo_id:
        show_answer(library, explained, last=number + 1 == total)
    else:
        question(library, sitting, photo_id)


def question(library: Library, sitting: Sitting, photo_id: int) -> None:
    """Show an unlabelled photo and take the judgement."""
    # Once a question, not at every touch of its form.
    if st.session_state.get(AHEAD) != (sitting.sitting, photo_id):
        st.session_state[AHEAD] = (sitting.sitting, photo_id)
        Thread(target=_look_ahead, args=(library, photo_id), daemon=True).start()
    pixels = library.practice.photo(photo_id)
    key = f"judge-{sitting.sitting}-{photo_id}"
    easy = sitting.practice_round.definition["difficulty"] == "easy"
    beside = library.practice.genuine_beside(photo_id) if easy else None
    picture, form = st.columns([3, 2], gap="medium")
    with picture:
        _show_judge(pixels, key, "Photo to judge")
    with form:
        if beside is not None:
            st.image(beside, caption="What genuine ones of this edition have in common")
        st.subheader("What is it?")
        st.caption("Mark on the photo where you see it, then judge.")
        given = st.radio(
            "Your judgement", list(GIVEN), index=None, format_func=GIVEN.__getitem__,
            key=f"given-{photo_id}", horizontal=True,
        )  # fmt: skip
        confidence = st.select_slider(
            "How sure are you?", CONFIDENCES, value=0.8, key=f"sure-{photo_id}",
            format_func=lambda share: f"{share:.0%}",
            help="50 % is a coin toss; 100 % means that you would never be wrong.",
        )  # fmt: skip
        done = st.button("Answer", type="primary", disabled=given is None, key=f"answer-{photo_id}")
        st.button("Leave this round", type="tertiary", on_click=_leave)
    if not done:
        return
    marks = (st.session_state.get(key) or {}).get("marks") or []
    with st.spinner("Laying it over known genuine ones…"):
        try:
            explained = library.practice.answer(
                sitting,
                photo_id,
                given=given,
                confidence=float(confidence),
                marks=[(float(x), float(y)) for x, y in marks],
            )
        except RecordConflict:
            # A second press of the button cut off the run that had recorded the first.
            explained = library.practice.explain(sitting, photo_id)
    st.session_state[EXPLAINED] = explained
    st.rerun()


def _look_ahead(library: Library, photo_id: int) -> None:
    # Whatever fails here fails again, and is shown, when the answer is given.
    try:
        library.practice.look_ahead(photo_id)
    except LoupebookError:
        return


def _show_judge(pixels: NDArray[np.uint8], key: str, label: str) -> None:
    height, width = pixels.shape[:2]
    _judge(
        key=key,
        data={
            "url": served_pixels(pixels, "practice-photo"),
            "width": width,
            "height": height,
            "alt": "Photo of a reference whose standing is not shown",
            "label": label,
        },
        on_marks_change=lambda: None,
    )


def show_answer(library: Library, explained: Explained, *, last: bool) -> None:
    """Show what it was, in one frame with what genuine ones have in common."""
    answer = explained.answer
    specimen = library.specimen(library.photo(answer.photo_id).specimen)
    truth = STANDING[specimen.standing]
    word = "Right" if answer.right else "Undecided" if answer.given == CANNOT_TELL else "Wrong"
    box = st.success if answer.right else st.warning
    box(f"**{word}.** On record this specimen is **{truth.lower()}** ({plain(answer.lesson)}).")
    shown, genuine = explained.pictures()
    panes = [_pane("photo", shown, answer.truth, "The photo you judged", truth)]
    if genuine is not None:
        common = "What known genuine ones have in common"
        edition = design(specimen.marque, specimen.edition)
        computed = f"{edition}, computed from several photos"
        panes.append(_pane("genuine", genuine, "genuine", common, computed))
    show_panes(panes, label="The answer", footnote=CAUTION, key=f"answer-{answer.photo_id}")
    places = {point: became for point, became in answer.places.items() if point}
    if places:
        st.markdown("\n".join(f"- {plain(point)}: **{word}**" for point, word in places.items()))
    for point in explained.points:
        st.markdown(f"**{point.number}** {plain(point.name)}. {plain(point.words)}")
    show_words("What the comparison measured", explained.says, key=f"says-{answer.photo_id}")
    st.button("To the results" if last else "Next", type="primary", on_click=_next)


def _pane(
    key: str, pixels: NDArray[np.uint8], standing: str, heading: str, name: str
) -> dict[str, Any]:
    height, width = pixels.shape[:2]
    return {
        "key": key, "standing": standing, "heading": heading, "short": heading, "name": name,
        "facts": [], "url": served_pixels(pixels, f"explained-{key}"), "width": width,
        "height": height, "alt": heading,
    }  # fmt: skip


def _next() -> None:
    st.session_state[BEGUN] += 1
    st.session_state.pop(EXPLAINED, None)


def _leave() -> None:
    for name in (SITTING, EXPLAINED, BEGUN):
        st.session_state.pop(name, None)


def finish(library: Library, sitting: Sitting) -> None:
    """Show the results of a sitting."""
    answers = [
        answer
        for answer in library.practice.answers(
            learner=sitting.learner, practice_round=sitting.practice_round
        )
        if answer.sitting == sitting.sitting
    ]
    right = sum(answer.right for answer in answers)
    st.subheader(f"Done: {right} of {counted(len(answers), 'answer')} right")
    st.markdown(
        "What you missed comes again first, on other photos; never on a specimen whose answer "
        "you have just seen."
    )
    st.button("Back to the rounds", type="primary", on_click=_leave)


def make_round(library: Library) -> None:
    """Offer a trainer the making of a round, and printed quizzes."""
    with st.form("make-round", border=True):
        name = st.text_input("Name of the round", key="round-name", max_chars=200)
        editions = st.multiselect(
            "Editions",
            library.practice.designs(),
            placeholder="all editions",
            key="round-editions",
        )
        left, middle, right = st.columns(3)
        difficulty = left.selectbox(
            "Difficulty", DIFFICULTIES, index=1, format_func=ABOUT.__getitem__, key="round-hard"
        )
        questions = middle.number_input("Questions", 1, 200, 10, key="round-questions")
        lighting = right.selectbox(
            "Lighting", list(Lighting), format_func=LIGHTING.__getitem__, key="round-light"
        )
        by = ask_name(library, "round-by")
        wanted = st.form_submit_button("Make the round", type="primary")
    say_uv(lighting)
    if wanted:
        _make(library, name.strip(), by, RoundDefinition(
            tuple(editions), int(questions), difficulty, lighting
        ))  # fmt: skip
    if MADE in st.session_state:
        st.success(f"The round **{plain(st.session_state.pop(MADE))}** is ready.")
    print_quiz(library)


def _make(library: Library, name: str, by: str, definition: RoundDefinition) -> None:
    if not (name and by):
        st.error("Give the round a name, and your name.")
        return
    try:
        with shown_progress() as progress:
            library.practice.make_round(name, definition, by=by, progress=progress)
    except LoupebookError as error:
        st.error(plain(str(error)))
        return
    st.session_state[MADE] = name
    # The tab that offers the rounds was drawn before.
    st.rerun()


def print_quiz(library: Library) -> None:
    """Offer a round on paper, with the key in a file of its own."""
    rounds = {one.name: one for one in library.practice.rounds()}
    if not rounds:
        return
    st.subheader("On paper")
    left, right = st.columns([3, 1])
    name = left.selectbox("Round to print", list(rounds), key="quiz-round")
    seed = right.number_input("Draw no.", 1, 999, 1, key="quiz-seed")
    kept = (name, seed, library.info().change_counter)
    if st.button("Make quiz and key", icon=":material/print:"):
        with st.spinner("Setting quiz and key…"):
            made = library.practice.quiz(rounds[name], seed=int(seed))
        st.session_state["quiz-made"] = (kept, made)
    made = st.session_state.get("quiz-made")
    if made is None or made[0] != kept:
        return
    with st.container(horizontal=True):
        for label, stem, content in zip(
            ("Quiz (PDF)", "Answer key (PDF)"), ("quiz", "quiz-key"), made[1], strict=True
        ):
            st.download_button(
                label, content, f"{stem}-{seed}.pdf", "application/pdf", on_click="ignore",
                icon=":material/download:",
            )  # fmt: skip


def show_results(library: Library) -> None:
    """Show error rates with intervals, calibration, confusion by point, and what is due."""
    learners = list(library.practice.learners())
    if not learners:
        st.info("Nobody has practised yet.")
        return
    learner = st.selectbox(
        "Learner", [None, *learners], key="results-of",
        format_func=lambda name: "everybody" if name is None else name,
    )  # fmt: skip
    scores = library.practice.scores(learner=learner)
    first, second, third = st.columns(3)
    first.metric("Fakes recognised", _percent(scores.sensitivity), border=True)
    first.caption(f"Sensitivity: {share_words(scores.sensitivity)}")
    second.metric("Genuine ones recognised", _percent(scores.specificity), border=True)
    second.caption(f"Specificity: {share_words(scores.specificity)}")
    third.metric("Cannot tell", _percent(scores.cannot_tell), border=True)
    third.caption(f"{share_words(scores.cannot_tell)}")
    left, right = st.columns(2, gap="medium")
    with left:
        st.subheader("Confidence")
        st.dataframe(
            [
                {"stated": f"{step.confidence:.0%}", "right": share_words(step.right)}
                for step in scores.calibration
            ],
            hide_index=True,
        )
        if scores.brier is not None:
            st.caption(f"Brier score {scores.brier:.3f}: 0 is best, 0.25 is 50 % throughout.")
    with right:
        st.subheader("Point by point")
        st.dataframe(
            [
                {
                    "point": point.point,
                    "found": point.found,
                    "missed": point.missed,
                    "marked on genuine": point.false_alarms,
                }
                for point in scores.points
            ],
            hide_index=True,
        )
    if learner is not None:
        _show_due(library, learner)
    st.download_button(
        "Every answer as CSV",
        answers_csv(library.practice.answers(learner=learner)),
        "loupebook-practice.csv",
        "text/csv",
        icon=":material/download:",
        on_click="ignore",
    )


def _percent(share: Any) -> str:
    return "–" if share is None else f"{share.share:.0%}"


def _show_due(library: Library, learner: str) -> None:
    st.subheader("Asked again")
    st.caption("By the SM-2 rule (Wozniak 1990): what was missed tomorrow, what sits ever later.")
    st.dataframe(
        [
            {
                "lesson": one.lesson,
                "due": f"{one.at:%Y-%m-%d}",
                "interval, days": one.memory.days,
                "easiness": round(one.memory.easiness, 2),
            }
            for one in library.practice.due(learner)
        ],
        hide_index=True,
    )
