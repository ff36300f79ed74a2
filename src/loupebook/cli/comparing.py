"""`compare`: two photos, or a photo and what a set knows, in one frame."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from loupebook.cli.common import (
    ExitCode,
    JsonOption,
    SetOption,
    err,
    exits_clearly,
    folded_table,
    open_library,
    out,
    print_json,
    refuse,
    require_there,
)
from loupebook.errors import RecordNotFound
from loupebook.library import (
    ComparisonReport,
    Library,
    Lighting,
    PhotoRecord,
    compare_photos,
    default_set,
    marked_word,
    strength_paragraphs,
)


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
            help="A photo file; or a photo's number or a specimen's name in the set: the query is "
            "then compared with all photos of that edition or print origin. Where a specimen is "
            "named by a number, photo:NUMBER and specimen:NAME say which is meant.",
        ),
    ],
    set_: SetOption = None,
    px_per_mm: Annotated[
        float | None, typer.Option(help="Scale of the reference file, px a mm.", min=0.1)
    ] = None,
    lighting: Annotated[
        Lighting | None,
        typer.Option(
            help="How both photos were lit, if not by daylight; of a specimen, the photo so lit "
            "is taken."
        ),
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Write aligned pictures, maps and figures here."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Lay two prints over each other and measure where they differ.

    'agrees' is said only where enough known photos bear it and the photo shows print. The words
    speak of print, never of what an item is. Ends with 1 where the photos cannot be laid over
    each other.
    """
    file = Path(reference)
    require_there(query)
    if set_ is None and (file.is_file() or default_set() is None):
        require_there(file)
        report = compare_photos(query, file, px_per_mm=px_per_mm, lighting=lighting)
    else:
        if px_per_mm is not None:
            refuse("--px-per-mm is for a reference file; photos of a set have their own scale.")
        with open_library(set_, reading=True) as library:
            photo = _lit(_meant(library, reference), lighting, reference)
            report = library.compare(query, photo.photo_id)
    written = report.write(folder) if folder else []
    if as_json:
        print_json(report.to_dict())
    else:
        _print(report)
        for path in written:
            out.print(f"  {path}")
    if not report.comparison.registration.registered:
        raise typer.Exit(ExitCode.PARTLY)


def _meant(library: Library, reference: str) -> list[PhotoRecord]:
    """Return the photo of a number, or all photos of a specimen."""
    kind, _, rest = reference.partition(":")
    if kind == "specimen" and rest:
        return library.photos(rest)
    if kind == "photo" and rest.isdecimal():
        return [library.photo(int(rest))]
    found = []
    with suppress(RecordNotFound):
        found.append(library.photos(reference))
    if reference.isdecimal():
        with suppress(RecordNotFound):
            found.append([library.photo(int(reference))])
    if len(found) > 1:
        refuse(
            f"{reference} is the number of a photo and the name of a specimen: write "
            f"photo:{reference} or specimen:{reference}."
        )
    if not found:
        refuse(
            f"The set has no specimen and no photo {reference!r}. To compare two files, name one "
            "that is there, and no set."
        )
    return found[0]


def _lit(photos: list[PhotoRecord], lighting: Lighting | None, reference: str) -> PhotoRecord:
    """Return the first photo under a lighting, or the first of all where none is asked for."""
    fitting = [one for one in photos if lighting in (None, one.lighting)]
    if not fitting:
        known = ", ".join(sorted({str(one.lighting) for one in photos})) or "no photo"
        refuse(f"{reference} has no {lighting or 'confirmed'} photo; the set holds: {known}.")
    return fitting[0]


def _print(report: ComparisonReport) -> None:
    told, bearing = report.to_dict(), {"poor": report.poor}
    against = f" ({report.standing})" if report.standing else ""
    out.print(f"{report.query} against {report.reference}{against}", style="bold")
    for finding in report.photo_check.findings:
        if finding.severity != "info":
            err.print(f"  {finding.message} {finding.advice}")
    if report.comparison.registration.registered:
        table = folded_table("measurement", "figure", "unit", "z", "result")
        for row in told["measurements"]:
            table.add_row(
                row["name"],
                "–" if row["value"] is None else f"{row['value']:.3g}",
                row["unit"],
                "–" if row["z"] is None else f"{row['z']:.1f}",
                marked_word(row, bearing) + (f": {row['reason']}" if row["reason"] else ""),
            )
        out.print(table)
    out.print(f"  {told['says']}")
    for part in strength_paragraphs(told, **bearing):
        out.print(f"  {part}")
    out.print(f"  {told['does_not_say']}", style="dim")
