"""`app` and `demo`: open the page on a set, on the loopback address only."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loupebook.cli.common import (
    JsonOption,
    SetOption,
    err,
    exits_clearly,
    print_json,
    progress_bar,
    refuse,
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
    rebuild: Annotated[
        bool,
        typer.Option("--rebuild", help="Draw demo set and queries again from their seeds."),
    ] = False,
    seed: Annotated[
        int | None, typer.Option(metavar="S", help="Draw another invented world, by this seed.")
    ] = None,
    count: Annotated[
        int | None, typer.Option(metavar="N", help="Reference photos of that other world.")
    ] = None,
    truth: Annotated[
        bool, typer.Option("--truth", help="Write the exact place of the artwork beside each.")
    ] = False,
    traced: Annotated[
        bool,
        typer.Option("--traced", help="Trace light (needs loupebook[raytrace]); far slower."),
    ] = False,
    times: Annotated[
        float,
        typer.Option(metavar="K", help="Photos of that other world K times as wide and high."),
    ] = 1.0,
    device: Annotated[
        str, typer.Option(help="Where that other world is drawn: cpu, or cuda on an NVIDIA GPU.")
    ] = "cpu",
    out_folder: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Where drawn pictures go. Default: rendered."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Build the demo set (invented, rendered), index it and open the page on it.

    With --rebuild, or with --seed and --count, pictures are drawn into a folder instead, and no
    page opens. That needs the extra packages of loupebook[render].
    """
    from loupebook.library import build_demo_set, serve_page

    other = seed is not None or count is not None or times != 1.0 or device != "cpu"
    if rebuild and (other or truth):
        refuse(
            "--rebuild draws the demo set as it is: leave out --seed, --count, --truth, --times "
            "and --device."
        )
    drawn = rebuild or other
    opening = port is not None or no_browser
    if opening and (drawn or no_page):
        refuse(
            "--port and --no-browser say how the page is opened, and none opens: leave them out."
        )
    if not drawn and (truth or traced or out_folder is not None):
        refuse(
            "--truth, --traced and --out say how pictures are drawn: say what to draw with "
            "--rebuild, or with --seed or --count."
        )
    if drawn:
        draw(
            rebuild, seed, count, truth, out_folder or Path("rendered"),
            traced=traced, times=times, device=device, as_json=as_json,
        )  # fmt: skip
        return
    with progress_bar() as progress:
        built = build_demo_set(progress=progress)
    if as_json:
        print_json(built.to_dict())
    else:
        typer.echo(built.says())
    if not no_page:
        # Whoever reads JSON finds nothing else on standard output.
        announce = err.print if as_json else typer.echo
        serve_page(built.folder, port=port, browser=not no_browser, announce=announce)


def draw(
    rebuild: bool,
    seed: int | None,
    count: int | None,
    truth: bool,
    folder: Path,
    *,
    traced: bool,
    times: float,
    device: str,
    as_json: bool,
) -> None:
    """Draw the demo set again, or another world."""
    from loupebook.library import render_demo_anew, render_other_world

    with progress_bar() as progress:
        if rebuild:
            made = render_demo_anew(folder, traced=traced, progress=progress)
        else:
            made = render_other_world(
                folder, seed=1 if seed is None else seed, count=count, truth=truth,
                traced=traced, times=times, device=device, progress=progress,
            )  # fmt: skip
    if as_json:
        print_json(made.to_dict())
    else:
        typer.echo(f"References in {made.references}, queries with their truth in {made.queries}.")
