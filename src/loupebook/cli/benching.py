"""`bench`: how often search finds the right reference, in one table."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from loupebook.cli.common import (
    JsonOption,
    exits_clearly,
    out,
    print_json,
    progress_bar,
    write_files,
)

bench = typer.Typer(help="Measure the product on pictures whose answer is known.")


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    bench.command()(retrieval)
    app.add_typer(bench, name="bench")


@bench.callback()
def _bench() -> None:
    """Measure the product on pictures whose answer is known."""


@exits_clearly
def retrieval(
    demo: Annotated[
        bool, typer.Option("--demo/--no-demo", help="The demo set with its held-out queries.")
    ] = True,
    world: Annotated[
        list[int] | None,
        typer.Option(metavar="SEED", help="Render a world of this seed; may be repeated."),
    ] = None,
    worlds_folder: Annotated[
        Path | None, typer.Option("--worlds", metavar="DIR", help="Rendered worlds are kept here.")
    ] = None,
    pictures: Annotated[
        list[Path] | None,
        typer.Option(metavar="DIR", help="Pictures to photograph by computation; repeatable."),
    ] = None,
    photos: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE.csv",
            help="Your own photos, with columns path, item, role (reference or query).",
        ),
    ] = None,
    encoder: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="One more encoder for a row of its own; repeatable."),
    ] = None,
    queries: Annotated[
        int | None, typer.Option(help="At most so many queries of each kind.", min=1)
    ] = None,
    times: Annotated[
        float, typer.Option(help="Photos of worlds so many times as wide and high.", min=0.5, max=6)
    ] = 1.0,
    workers: Annotated[int, typer.Option(help="Processes that render worlds.", min=1, max=256)] = 1,
    device: Annotated[str, typer.Option(help="What shades worlds: cpu, cuda or cuda:N.")] = "cpu",
    folder: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Write retrieval.md and retrieval.json here."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Compare our search with simpler ways of searching, side by side in one run.

    Figures come with 95 % intervals over specimens. Rendered pictures are no photographs:
    measure on your own before you rely on a figure.
    """
    from loupebook.library import WorldsWanted, bench_retrieval, table_of

    with progress_bar() as progress:
        result = bench_retrieval(
            demo=demo,
            worlds=WorldsWanted(world or (), worlds_folder, times, workers, device),
            pictures=pictures or (),
            photos=photos or (),
            encoders=encoder or (),
            queries=queries,
            progress=progress,
        )
    table = table_of(result)
    if folder is not None:
        text = json.dumps(result.to_json(), ensure_ascii=False, indent=1)
        write_files(folder, {"retrieval.md": table.encode(), "retrieval.json": text.encode()})
    if as_json:
        print_json(result.to_json())
    else:
        out.print(table, soft_wrap=True)
