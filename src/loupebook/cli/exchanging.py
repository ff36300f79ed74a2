"""`export` and `import`: hand a set on as a bag, and take one in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loupebook.cli.common import (
    ByOption,
    ExitCode,
    JsonOption,
    SetOption,
    err,
    exits_clearly,
    open_library,
    out,
    person,
    print_json,
    progress_bar,
    require_there,
)


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command("export")(export)
    app.command("import")(import_)


@exits_clearly
def export(
    target: Annotated[
        Path,
        typer.Option(
            "--out", metavar="BAG", help="Where to; must not be there yet. A name.zip is packed."
        ),
    ],
    set_: SetOption = None,
    filters: Annotated[
        list[str] | None,
        typer.Option(
            "--filter",
            metavar="KEY=VALUE",
            help="Only what passes: element, marque, edition, standing, origin, lighting, state "
            "or text; may be repeated. Without a state only confirmed specimens go.",
        ),
    ] = None,
    plain: Annotated[
        bool, typer.Option("--plain", help="A plain folder with manifest.csv instead of a bag.")
    ] = False,
    licence: Annotated[
        str | None, typer.Option(metavar="TEXT", help="What others may do with it.")
    ] = None,
    publisher: Annotated[
        str | None, typer.Option(metavar="NAME", help="Who answers for it. Default: you.")
    ] = None,
    keep_metadata: Annotated[
        bool,
        typer.Option(
            "--keep-metadata",
            help="Leave place, time and other metadata in the photos. Default: they are removed.",
        ),
    ] = False,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a set, or a part of it, as a bag (BagIt, RFC 8493) that others can take in.

    It holds the photos, the records as JSON Lines and as CSV, points of comparison as W3C
    annotations, a card of the set and its description in MLCommons Croissant.
    """
    from loupebook.library import ExportOptions

    options = ExportOptions(_read_filters(filters or []), licence, publisher, keep_metadata)
    with open_library(set_, reading=True) as library, progress_bar() as progress:
        write = library.export_folder if plain else library.export_bag
        report = write(target, by=person(by), options=options, progress=progress)
    if as_json:
        print_json(report.to_dict())
    else:
        out.print(report.says(), soft_wrap=True)


def _read_filters(texts: list[str]) -> dict[str, str]:
    filters = {}
    for text in texts:
        key, equals, value = text.partition("=")
        if not equals or not value:
            err.print(f"{text!r}: write a filter as KEY=VALUE, for example element=band.")
            raise typer.Exit(ExitCode.WRONG_USE)
        filters[key.strip()] = value.strip()
    return filters


@exits_clearly
def import_(
    bag: Annotated[
        Path, typer.Argument(metavar="BAG", readable=False, help="A bag: a folder or a ZIP file.")
    ],
    set_: SetOption = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Check all and say what would happen; write nothing.")
    ] = False,
    prefix: Annotated[
        str, typer.Option(help="Put before each specimen's name, where names would clash.")
    ] = "",
    leave_out: Annotated[
        list[str] | None,
        typer.Option(metavar="SPECIMEN", help="Leave this one out; may be repeated."),
    ] = None,
    as_proposed: Annotated[
        bool,
        typer.Option(
            "--as-proposed", help="Let a person of this set confirm what the other has confirmed."
        ),
    ] = False,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take a bag of another library in, whole or not at all.

    The bag is checked to the last byte and every photo decoded before anything is written.
    Conflicts with what the set knows are listed; then nothing is written and the exit code
    is 1. A plain folder of photos, with or without manifest.csv, is for 'add'.
    """
    require_there(bag)
    with open_library(set_, reading=False) as library, progress_bar() as progress:
        report = library.import_bag(
            bag,
            by=person(by),
            dry_run=dry_run,
            prefix=prefix,
            leave_out=leave_out or (),
            as_proposed=as_proposed,
            progress=progress,
        )
    if as_json:
        print_json(report.to_dict())
    else:
        for line in report.lines():
            out.print(line, soft_wrap=True)
    if report.conflicts:
        raise typer.Exit(ExitCode.PARTLY)
