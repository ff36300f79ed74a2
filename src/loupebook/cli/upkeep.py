"""`rebuild` and `verify`: make derived files anew, and check that nothing was altered."""

from __future__ import annotations

import json
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
    open_library,
    out,
    print_json,
    progress_bar,
    write_files,
)


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(rebuild)
    app.command()(verify)
    app.command()(report)


@exits_clearly
def rebuild(
    set_: SetOption = None, encoder: EncoderOption = None, as_json: JsonOption = False
) -> None:
    """Delete the derived files of a set and make them anew from its catalogue.

    Stopped half-way, it is finished by the next search or rebuild. Reports are made when they are
    next asked for; prints already held against each other stay.
    """
    with (
        open_library(set_, reading=True, encoder=encoder) as library,
        progress_bar() as progress,
    ):
        report = library.rebuild(progress=progress)
    if as_json:
        print_json(report.to_dict())
    else:
        for name, arm in report.arms.items():
            out.print(f"{name}: {arm.added} photos indexed, {len(arm.failed)} failed")
            for photo, why in arm.failed.items():
                err.print(f"photo {photo}: {why}", style="red", soft_wrap=True)
    if not report.ok:
        raise typer.Exit(ExitCode.PARTLY)


@exits_clearly
def verify(
    set_: SetOption = None,
    head: Annotated[
        str | None,
        typer.Option(
            metavar="HASH",
            help="Head of the log that an earlier verify printed; the log must pass through it.",
        ),
    ] = None,
    encoder: EncoderOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check catalogue, log, photos and derived files of a set; change nothing.

    The exit code is 1 if anything is missing, altered, unexpected or damaged. An index that is
    behind the catalogue is none of these: the next search brings it up to date. Write the head
    of the log down outside the set: only that shows later whether the whole log was rewritten.
    """
    with (
        open_library(set_, reading=True, encoder=encoder) as library,
        progress_bar() as progress,
    ):
        check = library.verify(known_head=head, progress=progress)
    if as_json:
        print_json(check.to_dict())
    else:
        for line in check.lines():
            out.print(line, soft_wrap=True)
    if not check.ok:
        raise typer.Exit(ExitCode.PARTLY)


@exits_clearly
def report(
    set_: SetOption = None,
    out_folder: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", help="Write report.html, report.pdf and report.json there."
        ),
    ] = None,
    prints: Annotated[
        bool,
        typer.Option(
            "--prints",
            help="Compare every print with the genuine ones of its edition as well: takes "
            "seconds a photo, and goes on where it was stopped.",
        ),
    ] = False,
    encoder: EncoderOption = None,
    as_json: JsonOption = False,
) -> None:
    """Report on the quality of a set: gaps, duplicates, wrong labels, confounds, what to do next.

    The first report of a large set takes minutes; sections are kept until the set changes.
    """
    from loupebook.library import render_html, report_pdf

    with (
        open_library(set_, reading=True, encoder=encoder) as library,
        progress_bar() as progress,
    ):
        made = library.report(prints=prints, progress=progress)
        if out_folder is not None:
            page = render_html(made, thumbnail=library.thumbnail)
            text = json.dumps(made.to_dict(), ensure_ascii=False, indent=1)
            files = {
                "report.html": page.encode(),
                "report.pdf": report_pdf(made, info=library.info(), thumbnail=library.thumbnail),
                "report.json": text.encode(),
            }
            write_files(out_folder, files)
    if as_json:
        print_json(made.to_dict())
    else:
        for section in made.sections.values():
            out.print(f"{section.title}: {section.summary}", soft_wrap=True)
