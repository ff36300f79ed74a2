"""`search`: a photo in, the nearest known references out."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from loupebook.cli.common import (
    EncoderOption,
    ExitCode,
    JsonOption,
    SetOption,
    err,
    exits_clearly,
    folded_table,
    open_library,
    out,
    print_json,
    progress_bar,
)
from loupebook.errors import PhotoError
from loupebook.library import (
    Element,
    Lighting,
    MatchReport,
    SearchFilters,
    SearchReport,
    Standing,
    View,
    likeness_words,
    photo_files,
)

SHAPES = {Standing.GENUINE: "○ genuine", Standing.FAKE: "◆ fake"}
"""Standing by word and shape, never by colour alone."""


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(search)


@exits_clearly
def search(
    photos: Annotated[
        list[Path],
        typer.Argument(metavar="PHOTO...", readable=False, help="Photos or folders of photos."),
    ],
    set_: SetOption = None,
    element: Annotated[Element | None, typer.Option(help="Only this kind of item.")] = None,
    view: Annotated[View | None, typer.Option(help="Only photos of this side.")] = None,
    lighting: Annotated[Lighting | None, typer.Option(help="Only photos lit like this.")] = None,
    marque: Annotated[str | None, typer.Option(help="Only this marque.")] = None,
    standing: Annotated[Standing | None, typer.Option(help="Only this standing.")] = None,
    k: Annotated[int, typer.Option("-k", min=1, max=1000, help="How many specimens.")] = 10,
    encoder: EncoderOption = None,
    as_json: JsonOption = False,
) -> None:
    """Find the known specimens nearest to each photo.

    With --json one object a photo on one line; a photo that cannot be read gives an object
    with the key "error" and the exit code 1, and the rest go on.
    """
    filters = SearchFilters(element, view, lighting, marque, standing)
    failed = False
    with (
        open_library(set_, reading=True, encoder=encoder) as library,
        progress_bar() as progress,
    ):
        library.sync(progress=progress)
        for photo in _queries(photos):
            try:
                report = library.search(photo, filters=filters, k=k)
            except PhotoError as exc:
                failed = True
                if as_json:
                    print_json({"photo": str(photo), "error": str(exc)})
                err.print(str(exc), style="red", soft_wrap=True)
                continue
            if as_json:
                print_json(report.to_dict())
            else:
                _print_report(report)
    if failed:
        raise typer.Exit(ExitCode.PARTLY)


def _queries(paths: list[Path]) -> Iterator[Path]:
    """Yield the photos to search; a folder that holds none is yielded itself, to be refused."""
    for path in paths:
        yield from [file for file, _ in photo_files([path])] or [path]


def _print_report(report: SearchReport) -> None:
    out.print(f"\n{report.photo}", style="bold")
    for finding in report.photo_check.findings:
        if finding.severity != "info":
            out.print(f"  {finding.message} {finding.advice}", style="yellow")
    if report.empty_reason:
        out.print(f"  {report.empty_reason}")
        return
    table = folded_table("rank", "specimen", "standing", "marque", "edition", "photo", "likeness")
    for match in report.matches:
        table.add_row(*_row(match))
    shown = {match.specimen for match in report.matches}
    for nearest in (report.nearest_genuine, report.nearest_fake):
        if nearest is not None and nearest.specimen not in shown:
            table.add_row(*_row(nearest))
    out.print(table)
    for part in report.reading["says"].split("\n\n"):
        out.print(f"  {part}")
    out.print(f"  {report.reading['does_not_say']}", style="dim")


def _row(match: MatchReport) -> tuple[str, ...]:
    return (
        str(match.rank),
        match.specimen,
        SHAPES[match.standing],
        match.marque or "–",
        match.edition or "–",
        match.photo,
        likeness_words(match.to_dict()),
    )
