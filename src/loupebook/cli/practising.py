"""`practice`: rounds, printable quizzes, results and what is due."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loupebook.cli.common import (
    ByOption,
    JsonOption,
    PaperOption,
    SetOption,
    err,
    exits_clearly,
    folded_table,
    open_library,
    out,
    person,
    print_json,
    progress_bar,
    refuse,
    write_file,
)
from loupebook.library import Lighting, Paper

practice = typer.Typer(help="Rounds to learn from, on references only.", no_args_is_help=True)

Round = Annotated[str, typer.Argument(metavar="ROUND", help="Name of the round.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    practice.command()(make)
    practice.command("list")(list_)
    practice.command()(quiz)
    practice.command()(results)
    practice.command()(due)
    app.add_typer(practice, name="practice")


@exits_clearly
def make(
    name: Round,
    set_: SetOption = None,
    edition: Annotated[
        list[str] | None,
        typer.Option(
            help="Only this edition; may be repeated. Where several share its name, it means all "
            "of them, and 'Marque, Edition, element' means one. Default: all."
        ),
    ] = None,
    questions: Annotated[int, typer.Option(help="How many in one sitting.")] = 10,
    difficulty: Annotated[
        str,
        typer.Option(
            help="easy (far copies, a genuine one beside), middle (all) or hard (near copies)."
        ),
    ] = "middle",
    lighting: Annotated[Lighting, typer.Option(help="Photos in this light.")] = Lighting.DIFFUSE,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a practice round together; learners take it on the page Practice."""
    from loupebook.library import RoundDefinition

    definition = RoundDefinition(tuple(edition or ()), questions, difficulty, lighting)
    with open_library(set_, reading=False) as library, progress_bar() as progress:
        made = library.practice.make_round(name, definition, by=person(by), progress=progress)
    if as_json:
        print_json({"round": made.name, **made.definition})
    else:
        out.print(f"Made the round {made.name!r}.")


@exits_clearly
def list_(set_: SetOption = None, as_json: JsonOption = False) -> None:
    """List the practice rounds of a set."""
    with open_library(set_, reading=True) as library:
        rounds = library.practice.rounds()
    if as_json:
        for one in rounds:
            print_json({"round": one.name, "by": one.by, "at": one.at, **one.definition})
        return
    table = folded_table("round", "questions", "difficulty", "editions", "by")
    for one in rounds:
        asked = one.definition
        editions = "; ".join(asked["editions"]) or "all"
        table.add_row(one.name, str(asked["questions"]), asked["difficulty"], editions, one.by)
    out.print(table)


@exits_clearly
def quiz(
    name: Round,
    set_: SetOption = None,
    target: Annotated[
        Path, typer.Option("--out", metavar="FILE.pdf", help="Where the quiz goes.")
    ] = Path("quiz.pdf"),
    key: Annotated[
        Path, typer.Option("--key", metavar="FILE.pdf", help="Where the answer key goes.")
    ] = Path("quiz-key.pdf"),
    seed: Annotated[int, typer.Option(help="Another number draws another quiz.")] = 1,
    paper: PaperOption = Paper.A4,
    as_json: JsonOption = False,
) -> None:
    """Print a round as a quiz and, in a file of its own, the answer key."""
    from loupebook.library import write_pdf

    if target.resolve() == key.resolve():
        refuse(f"Quiz and key cannot both go to {target}: name another file with --out or --key.")
    with open_library(set_, reading=True) as library:
        asked, answers = library.practice.quiz(library.practice.round(name), seed=seed, paper=paper)
    quiz_file, key_file = write_pdf(asked, target), write_pdf(answers, key)
    if as_json:
        print_json({"round": name, "quiz": str(quiz_file), "key": str(key_file)})
        return
    for path in (quiz_file, key_file):
        out.print(str(path), soft_wrap=True)


@exits_clearly
def results(
    set_: SetOption = None,
    learner: Annotated[str | None, typer.Option(help="Only this learner.")] = None,
    name: Annotated[str | None, typer.Option("--round", help="Only this round.")] = None,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", help="Write every answer here.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say how well learners do: error rates with intervals, calibration, point by point."""
    from loupebook.library import answers_csv

    with open_library(set_, reading=True) as library:
        wanted = library.practice.round(name) if name else None
        scores = library.practice.scores(learner=learner, practice_round=wanted)
        answers = library.practice.answers(learner=learner, practice_round=wanted)
    if csv is not None:
        write_file(csv, answers_csv(answers).encode())
        err.print(f"Written to {csv}.")
    if as_json:
        print_json(scores.to_dict())
        return
    for line in scores.says():
        out.print(line)
    table = folded_table("point", "found", "missed", "marked on genuine")
    for point in scores.points:
        table.add_row(point.point, str(point.found), str(point.missed), str(point.false_alarms))
    if scores.points:
        out.print(table)


@exits_clearly
def due(
    learner: Annotated[str, typer.Argument(metavar="LEARNER", help="Who.")],
    set_: SetOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say when each lesson of a learner is due again, by the SM-2 rule."""
    with open_library(set_, reading=True) as library:
        lessons = library.practice.due(learner)
    if as_json:
        for one in lessons:
            print_json({"lesson": one.lesson, "at": one.at.isoformat(), **vars(one.memory)})
        return
    if not lessons:
        out.print(f"{learner} has not answered anything yet.", soft_wrap=True)
        return
    table = folded_table("lesson", "due", "interval, days", "easiness")
    for one in lessons:
        memory = one.memory
        table.add_row(one.lesson, f"{one.at:%Y-%m-%d}", str(memory.days), f"{memory.easiness:.2f}")
    out.print(table)
