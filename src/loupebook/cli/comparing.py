"""`compare`: two photos, or a photo and what a set knows, in one frame."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from loupebook.cli.common import (
    ExitCode,
    JsonOption,
    SetOption,
    err,
    exits_clearly,
    open_library,
    out,
    print_json,
)
from loupebook.library import ComparisonReport, Lighting, compare_photos, strength_paragraphs

SHAPES = {"agrees": "= agrees", "differs": "≠ differs", "cannot tell": "? cannot tell"}
"""Verdicts by word and shape, never by colour alone."""


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(compare)


@exits_clearly
def compare(
    query: Annotated[Path, typer.Argument(metavar="QUERY", help="The photo in question.")],
    reference: Annotated[
        str,
        typer.Argument(
            metavar="REFERENCE",
            help="A photo file; or, with --set, a photo's number or a specimen's name: the query "
            "is then compared with all photos of that edition or print origin.",
        ),
    ],
    set_: SetOption = None,
    px_per_mm: Annotated[
        float | None, typer.Option(help="Scale of the reference file, px a mm.", min=0.1)
    ] = None,
    lighting: Annotated[
        Lighting | None, typer.Option(help="How both photos were lit, if not by daylight.")
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Write aligned pictures, maps and figures here."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Lay two prints over each other and measure where they differ.

    Verdicts are 'agrees', 'differs' and 'cannot tell'. They speak of print, never of what an
    item is. Ends with 1 where the photos cannot be laid over each other.
    """
    file = Path(reference)
    if file.is_file() or (set_ is None and not reference.isdigit()):
        report = compare_photos(query, file, px_per_mm=px_per_mm, lighting=lighting)
    else:
        with open_library(set_, reading=True) as library:
            photos = library.photos(None if reference.isdigit() else reference)
            number = int(reference) if reference.isdigit() else photos[0].photo_id
            report = library.compare(query, number)
    written = report.write(folder) if folder else []
    if as_json:
        print_json(report.to_dict())
    else:
        _print(report)
        for path in written:
            out.print(f"  {path}", markup=False)
    if not report.comparison.registration.registered:
        raise typer.Exit(ExitCode.PARTLY)


def _print(report: ComparisonReport) -> None:
    found = report.comparison
    against = f" ({report.standing})" if report.standing else ""
    out.print(f"{report.query} against {report.reference}{against}", style="bold", markup=False)
    for finding in report.photo_check.findings:
        if finding.severity != "info":
            err.print(f"  {finding.message} {finding.advice}", markup=False)
    if found.registration.registered:
        table = Table("measurement", "figure", "unit", "z", "verdict")
        for one in found.figures:
            table.add_row(
                one.name,
                "–" if one.value is None else f"{one.value:.3g}",
                one.unit,
                "–" if one.z is None else f"{one.z:.1f}",
                SHAPES[one.verdict] + (f": {one.reason}" if one.reason else ""),
            )
        out.print(table)
    out.print(f"  {report.says()}", markup=False)
    for part in strength_paragraphs(report.to_dict()):
        out.print(f"  {part}", markup=False)
    out.print(f"  {report.to_dict()['does_not_say']}", style="dim", markup=False)
