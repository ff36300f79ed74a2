"""`examinations`: save, list, check, ask again and print what was examined."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from loupebook.cli.common import (
    ByOption,
    ExitCode,
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
    recordable,
    refuse,
    require_there,
)
from loupebook.library import Paper

if TYPE_CHECKING:
    from loupebook.library import Library
    from loupebook.records import ExaminationRecord
    from loupebook.records.points import PointMark

examinations = typer.Typer(help="What was examined, kept as it was.", no_args_is_help=True)

Number = Annotated[
    int,
    typer.Argument(metavar="NUMBER", help="Number of the examination.", callback=recordable),
]
Revision = Annotated[
    int | None,
    typer.Option(help="An earlier revision. Default: the latest.", min=1, callback=recordable),
]


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    examinations.command()(save)
    examinations.command("list")(list_)
    examinations.command()(show)
    examinations.command()(check)
    examinations.command()(rerun)
    examinations.command("print")(print_)
    app.add_typer(examinations, name="examinations")


@exits_clearly
def save(
    photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="The photo examined.")],
    title: Annotated[str, typer.Option(help="What was examined, in your words.")],
    set_: SetOption = None,
    mark: Annotated[
        list[str] | None,
        typer.Option(
            metavar="POINT=MARK[:NOTE]",
            help="Number of a point, or a measurement; agrees, differs or 'cannot tell'; "
            "may be repeated.",
        ),
    ] = None,
    notes: Annotated[str, typer.Option(help="Free text.")] = "",
    serial: Annotated[
        list[str] | None,
        typer.Option(
            metavar="PLACE=NUMBER", help="A serial number read on the item; may be repeated."
        ),
    ] = None,
    barcodes: Annotated[
        bool, typer.Option("--barcodes", help="Look for barcodes in the photo.")
    ] = False,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Search for a photo, compare it, and keep photo, answer, marks and hashes."""
    from loupebook.library import NumbersRead, read_barcodes

    require_there(photo)
    with open_library(set_, reading=False) as library, progress_bar() as progress:
        marks = [_mark(library, text) for text in mark or ()]
        report = library.search(photo, name=photo.name, progress=progress)
        codes = tuple(read_barcodes(report.query_pixels)) if barcodes else None
        record = library.examinations.save(
            report, photo.read_bytes(), title=title, by=person(by), marks=marks, notes=notes,
            serials=NumbersRead(tuple(_serial(text) for text in serial or ()), codes),
        )  # fmt: skip
    if as_json:
        print_json({"examination": record.number, "sha256": record.sha256})
    else:
        out.print(f"Examination {record.number} is kept, SHA-256 {record.sha256}.")


def _mark(library: Library, text: str) -> PointMark:
    from loupebook.compare.measures import ALL
    from loupebook.records.points import PointMark

    point, _, rest = text.partition("=")
    mark, _, note = rest.partition(":")
    point = point.strip()
    number = int(point) if point.isdecimal() else 0
    measured = [one.name for one in ALL]
    if number == 0 and point not in measured:
        refuse(
            f"--mark {text}: name a point by its number, or a measurement: {', '.join(measured)}."
        )
    title = library.points.get(number).title if number else point
    return PointMark.from_dict(
        {"point_id": number, "title": title, "mark": mark.strip(), "note": note.strip()}
    )


def _serial(text: str) -> tuple[str, str]:
    place, given, number = text.partition("=")
    return (place.strip(), number.strip()) if given else ("elsewhere", text.strip())


@exits_clearly
def list_(set_: SetOption = None, as_json: JsonOption = False) -> None:
    """List the examinations of a set, newest first."""
    with open_library(set_, reading=True) as library:
        lines = library.examinations.lines()
    if as_json:
        for line in lines:
            print_json(vars(line))
        return
    table = folded_table("no.", "revision", "title", "photo", "saved", "by")
    for line in lines:
        table.add_row(
            str(line.number), str(line.revision), line.title, line.file_name or "–", line.at[:16],
            line.by,
        )  # fmt: skip
    out.print(table)


@exits_clearly
def show(
    number: Number,
    set_: SetOption = None,
    revision: Revision = None,
    as_json: Annotated[  # noqa: ARG001 (what it asks for is what is printed anyway)
        bool, typer.Option("--json", help="Print JSON; it is printed without this too.")
    ] = False,
) -> None:
    """Print an examination exactly as it was saved, as JSON."""
    with open_library(set_, reading=True) as library:
        record = library.examinations.open(number, revision)
    print_json(_as_saved(record))


def _as_saved(record: ExaminationRecord) -> dict[str, object]:
    return {
        "number": record.number, "revision": record.revision, "title": record.title,
        "at": record.at, "by": record.by, "sha256": record.sha256, "document": record.document,
    }  # fmt: skip


@exits_clearly
def check(set_: SetOption = None, as_json: JsonOption = False) -> None:
    """Hold every document, of every revision, and image of all examinations against its hash.

    The exit code is 1 if one byte of any is not as it was.
    """
    with open_library(set_, reading=True) as library:
        found = library.examinations.check_all()
        count = len(library.examinations.lines())
    if as_json:
        faults = {number: [vars(fault) for fault in some] for number, some in found.items()}
        print_json({"examinations": count, "faults": faults})
    else:
        for number, some in found.items():
            for fault in some:
                words = f"examination {number}, {fault.what}: {fault.message}"
                err.print(words, style="red", soft_wrap=True)
        out.print(f"{count} examinations checked, {len(found)} with faults.")
    if found:
        raise typer.Exit(ExitCode.PARTLY)


@exits_clearly
def rerun(number: Number, set_: SetOption = None, as_json: JsonOption = False) -> None:
    """Ask an examination again of today's set and say what has changed; nothing is saved."""
    with open_library(set_, reading=True) as library, progress_bar() as progress:
        again = library.examinations.rerun(library.examinations.open(number), progress=progress)
    if as_json:
        print_json(again.to_dict())
        return
    out.print(f"Examination {number}, then and now", style="bold")
    for line in again.changes or ("Nothing has changed.",):
        out.print(f"  {line}", soft_wrap=True)
    now = again.report.reading["says"].replace("\n\n", "\n  ")
    out.print(f"  Now: {now}", soft_wrap=True)
    out.print(f"  {again.report.reading['does_not_say']}", style="dim")


@exits_clearly
def print_(
    number: Number,
    set_: SetOption = None,
    revision: Revision = None,
    target: Annotated[
        Path | None, typer.Option("--out", metavar="FILE.pdf", help="Default: examination-N.pdf.")
    ] = None,
    paper: PaperOption = Paper.A4,
    as_json: JsonOption = False,
) -> None:
    """Print an examination as a PDF record, with lines to sign on.

    Ends with 1 if an image of it is missing or altered; the record then says so.
    """
    from loupebook.library import write_pdf

    with open_library(set_, reading=True) as library:
        record = library.examinations.open(number, revision)
        faults = library.examinations.check(record)
        pdf = library.examinations.print(record, paper=paper)
    written = write_pdf(pdf, target or Path(f"examination-{number}.pdf"))
    if as_json:
        print_json({"examination": number, "file": str(written), "faults": [*map(vars, faults)]})
    else:
        out.print(str(written), soft_wrap=True)
    for fault in faults:
        err.print(f"{fault.what}: {fault.message}", style="red", soft_wrap=True)
    if faults:
        raise typer.Exit(ExitCode.PARTLY)
