"""The `loupebook` command: one file a group of commands, put together here."""

from __future__ import annotations

import io
import sys
from typing import Annotated

import typer

import loupebook
from loupebook.cli import (
    adding,
    benching,
    browsing,
    comparing,
    curating,
    examining,
    exchanging,
    practising,
    searching,
    sheeting,
    starting,
    upkeep,
)
from loupebook.cli.common import out

app = typer.Typer(
    name="loupebook",
    help="Find the closest known genuine and known fake bands, seals and caps to a photo. "
    "It compares; it never declares an item genuine.",
    no_args_is_help=True,
    pretty_exceptions_show_locals=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _print_version(wanted: bool) -> None:
    if wanted:
        out.print(f"loupebook {loupebook.__version__}")
        raise typer.Exit


@app.callback()
def _root(
    _version: Annotated[
        bool,
        typer.Option(
            "--version", help="Print the version.", callback=_print_version, is_eager=True
        ),
    ] = False,
) -> None:
    """Hold the options of the command itself."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A file's name may hold what is no text: escaped, output stays what its readers can read
        # (RFC 8259 asks for UTF-8), and the escape is JSON's own.
        sys.stdout.reconfigure(errors="backslashreplace")


for group in (
    adding,
    searching,
    comparing,
    browsing,
    upkeep,
    starting,
    benching,
    sheeting,
    curating,
    exchanging,
    examining,
    practising,
):
    group.register(app)


def main() -> None:
    """Run the command line."""
    app()
