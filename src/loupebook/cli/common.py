"""What all commands share: options, printing, progress and the mapping of errors to exit codes.

JSON and tables go to standard output; progress, advice and errors go to standard error.
"""

from __future__ import annotations

import functools
import getpass
import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, ParamSpec, TypeVar

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as ProgressBar
from rich.table import Table

from loupebook.errors import (
    EncoderError,
    LoupebookError,
    PracticeInvalid,
    QueryInvalid,
    RecordInvalid,
    SetError,
    SetExists,
    SheetInvalid,
)
from loupebook.library import Paper, write_atomically

if TYPE_CHECKING:
    from loupebook.library import Library

# What people typed is shown as it stands: brackets are no markup, nor are colons emoji.
# Whoever reads a pipe reads whole lines: only a terminal is as wide as it is.
_PIPE_WIDTH = 10_000
out = Console(
    highlight=False,
    markup=False,
    emoji=False,
    width=None if sys.stdout.isatty() else _PIPE_WIDTH,
)
err = Console(stderr=True, highlight=False, markup=False, emoji=False)

P = ParamSpec("P")
R = TypeVar("R")
Progress = Callable[[str, int, int], None]


class ExitCode(IntEnum):
    """What the process ends with."""

    DONE = 0
    PARTLY = 1
    WRONG_USE = 2
    SET_UNUSABLE = 3
    ENCODER_UNAVAILABLE = 4
    STOPPED = 130


GREATEST_NUMBER = 2**63 - 1
"""Of a record: what SQLite keeps."""
_WRONG_USE = (QueryInvalid, RecordInvalid, SheetInvalid, PracticeInvalid)
"""What was asked for cannot be: another value, and not another try, is needed."""

SetOption = Annotated[
    Path | None,
    typer.Option(
        "--set",
        metavar="SET",
        readable=False,
        help="Folder of the set. Default: the environment variable LOUPEBOOK_SET, "
        "else the demo set where reading suffices.",
        show_default=False,
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")]
ByOption = Annotated[
    str | None,
    typer.Option(
        "--by", metavar="NAME", help="Who does this. Default: the name you are logged in by."
    ),
]
PaperOption = Annotated[Paper, typer.Option(case_sensitive=False, help="What it is printed on.")]
EncoderOption = Annotated[
    str | None,
    typer.Option(
        "--encoder",
        metavar="NAME",
        help="Another encoder: local-dir:FOLDER, NAME/PRETRAINED or hf-hub:NAME. "
        "Default: the one that ships in models/.",
        show_default=False,
    ),
]


def person(by: str | None) -> str:
    """Return the name that a change is recorded under."""
    if by:
        return by
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        err.print("Say who you are with --by NAME: this machine does not tell.", style="red")
        raise typer.Exit(ExitCode.WRONG_USE) from None


def open_library(folder: Path | None, *, reading: bool, encoder: str | None = None) -> Library:
    """Open the set named, or the default one where reading suffices."""
    from loupebook.library import SET_VARIABLE, Library, default_set

    chosen = folder
    if chosen is None:
        if reading:
            chosen = default_set()
        elif named := os.environ.get(SET_VARIABLE):
            chosen = Path(named)
    if chosen is None:
        hint = (
            "Name a set with --set SET, or build the demo set with 'loupebook demo'."
            if reading
            else "This changes a set, so name it: --set SET (or LOUPEBOOK_SET)."
        )
        refuse(hint)
    return Library.open(chosen, encoder=encoder)


def require_there(*files: Path) -> None:
    """Refuse a file that is named and is not there: another name is needed, not another try."""
    for file in files:
        if not file.exists():
            refuse(f"{file} does not exist. Check the path.")


def recordable(number: int | None) -> int | None:
    """Refuse a number larger than any record has, without its limit standing in the help."""
    if number is not None and abs(number) > GREATEST_NUMBER:
        raise typer.BadParameter("the number is too large to be on record.")
    return number


def exits_clearly(command: Callable[P, R]) -> Callable[P, R]:
    """Turn errors, our own and the system's, into one line and the documented exit code."""

    @functools.wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return command(*args, **kwargs)
        except SetExists as exc:
            # Where something new was to be made; no set was to be used.
            code = ExitCode.WRONG_USE
            message = str(exc)
        except SetError as exc:
            code = ExitCode.SET_UNUSABLE
            message = str(exc)
        except EncoderError as exc:
            code = ExitCode.ENCODER_UNAVAILABLE
            message = str(exc)
        except _WRONG_USE as exc:
            code = ExitCode.WRONG_USE
            message = str(exc)
        except LoupebookError as exc:
            code = ExitCode.PARTLY
            message = str(exc)
        except BrokenPipeError:
            raise  # whoever read the output has gone: nobody is left to be told
        except OSError as exc:
            code = ExitCode.PARTLY
            message = _system_refusal(exc)
        except UnicodeEncodeError as exc:
            code = ExitCode.WRONG_USE
            message = f"{exc.object!a} is no text (UTF-8), and cannot be on record."
        except OverflowError:
            code = ExitCode.WRONG_USE
            message = "A number is too large to be on record."
        except KeyboardInterrupt:
            code = ExitCode.STOPPED
            message = "Stopped. What was finished before is kept."
        err.print(message, style="red", soft_wrap=True)
        raise typer.Exit(code)

    return run


def refuse(message: str) -> NoReturn:
    """Say what is wrong with what was asked for, and end."""
    err.print(message, style="red", soft_wrap=True)
    raise typer.Exit(ExitCode.WRONG_USE)


def _system_refusal(error: OSError) -> str:
    reason = error.strerror or str(error)
    if error.filename is None:
        return f"The system refuses: {reason}."
    return f"{error.filename}: {reason}. Check the path and its permissions."


def print_json(value: dict[str, Any]) -> None:
    """Print one JSON object on one line."""
    typer.echo(json.dumps(value, ensure_ascii=False))


def folded_table(*headings: str) -> Table:
    """Return an empty table whose cells are folded, never cut: names often differ at their end."""
    table = Table()
    for heading in headings:
        table.add_column(heading, overflow="fold")
    return table


def write_file(path: Path, content: bytes) -> None:
    """Write a result whole or not at all; a pipe, a device or a link is written to, not replaced.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    if path.is_symlink() or (path.exists() and not path.is_file()):
        path.write_bytes(content)
    else:
        write_atomically(path, [content])


def write_files(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write results into a folder, which is made where missing, and say so."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            write_file(folder / name, content)
    except OSError as exc:
        err.print(
            f"{folder} cannot be written to: {exc}. Name another folder.",
            style="red",
            soft_wrap=True,
        )
        raise typer.Exit(ExitCode.PARTLY) from exc
    err.print(f"Written to {folder}.")


@contextmanager
def progress_bar() -> Iterator[Progress]:
    """Show a bar on standard error while long work goes on; silent when not a terminal."""
    bar = ProgressBar(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=err,
        transient=True,
        disable=not err.is_terminal,
    )
    tasks: dict[str, Any] = {}

    def show(what: str, done: int, total: int) -> None:
        if what not in tasks:
            tasks[what] = bar.add_task(what, total=total)
        bar.update(tasks[what], completed=done, total=total)

    with bar:
        yield show
