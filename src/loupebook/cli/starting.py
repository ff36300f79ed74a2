"""`app` and `demo`: open the page on a set, on the loopback address only."""

from __future__ import annotations

from typing import Annotated

import typer

from loupebook.cli.common import (
    JsonOption,
    SetOption,
    err,
    exits_clearly,
    print_json,
    progress_bar,
)

NoBrowserOption = Annotated[
    bool, typer.Option("--no-browser", help="Print the address only; open no browser.")
]
PortOption = Annotated[
    int | None, typer.Option(min=1024, max=65535, help="Port. Default: 8501, or a free one.")
]


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command("app")(open_app)
    app.command()(demo)


@exits_clearly
def open_app(
    set_: SetOption = None, port: PortOption = None, no_browser: NoBrowserOption = False
) -> None:
    """Open the page on a set. It stays open until you press Ctrl+C."""
    from loupebook.library import default_set, serve_page

    folder = set_ or default_set()
    if folder is None:
        err.print("No set is named and the demo set is not built; the page will say so.")
    serve_page(folder, port=port, browser=not no_browser, announce=typer.echo)


@exits_clearly
def demo(
    no_page: Annotated[
        bool, typer.Option("--no-page", help="Build the demo set and stop; open no page.")
    ] = False,
    port: PortOption = None,
    no_browser: NoBrowserOption = False,
    as_json: JsonOption = False,
) -> None:
    """Build the demo set (invented, rendered), index it and open the page on it."""
    from loupebook.library import build_demo_set, serve_page

    with progress_bar() as progress:
        built = build_demo_set(progress=progress)
    if as_json:
        print_json(built.to_dict())
    else:
        typer.echo(built.says())
    if not no_page:
        serve_page(built.folder, port=port, browser=not no_browser, announce=typer.echo)
