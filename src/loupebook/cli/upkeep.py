"""`rebuild` and `verify`: make derived files anew, and check that nothing was altered."""

from __future__ import annotations

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
)


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(rebuild)
    app.command()(verify)


@exits_clearly
def rebuild(
    set_: SetOption = None, encoder: EncoderOption = None, as_json: JsonOption = False
) -> None:
    """Delete all derived files of a set and make them anew from its catalogue.

    Stopped half-way, it is finished by the next search or rebuild.
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
                err.print(f"photo {photo}: {why}", style="red", markup=False, soft_wrap=True)
    if not report.ok:
        raise typer.Exit(ExitCode.PARTLY)


@exits_clearly
def verify(
    set_: SetOption = None, encoder: EncoderOption = None, as_json: JsonOption = False
) -> None:
    """Check catalogue, photos and derived files of a set; change nothing.

    The exit code is 1 if anything is missing, altered, unexpected or stale.
    """
    with (
        open_library(set_, reading=True, encoder=encoder) as library,
        progress_bar() as progress,
    ):
        check = library.verify(progress=progress)
    if as_json:
        print_json(check.to_dict())
    else:
        for line in check.lines():
            out.print(line, markup=False, soft_wrap=True)
    if not check.ok:
        raise typer.Exit(ExitCode.PARTLY)
