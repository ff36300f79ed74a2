"""`init` and `add`: make a set and put references into it."""

from __future__ import annotations

from collections.abc import Mapping
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
    refuse,
)
from loupebook.library import (
    AddReport,
    Element,
    Library,
    Lighting,
    Provenance,
    SpecimenRecord,
    Standing,
    View,
    read_serials,
)


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(init)
    app.command()(add)


@exits_clearly
def init(
    folder: Annotated[Path, typer.Argument(metavar="SET", help="Folder of the new set.")],
    name: Annotated[
        str | None, typer.Option(help="Name to show. Default: the folder's name.")
    ] = None,
    notice: Annotated[
        str | None, typer.Option(help="A line shown wherever the set is shown.")
    ] = None,
    two_person: Annotated[
        bool,
        typer.Option(
            "--two-person", help="New specimens wait until a second named person confirms them."
        ),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Make a new, empty set."""
    with Library.create(folder, name=name, notice=notice, two_person=two_person) as library:
        info = library.info()
    if as_json:
        print_json({"set": info.name, "folder": str(folder), "set_id": info.set_id})
    else:
        out.print(f"Made the set {info.name!r} at {folder}.")
        out.print(f"Next: loupebook add PHOTOS --set {folder}")


@exits_clearly
def add(
    paths: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="PATHS...",
            # The library says what cannot be read, and goes on with the rest.
            readable=False,
            help="Photos, folders of photos, or a folder that holds manifest.csv. "
            "With --manifest: add only the rows whose photos lie there.",
        ),
    ] = None,
    set_: SetOption = None,
    manifest: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.csv",
            readable=False,
            help="CSV with the header path,specimen,element,marque,edition,standing,origin,view,"
            "lighting,source,confirmed_by,confirmed_on,serial,notes; required are path, "
            "specimen, element and standing.",
        ),
    ] = None,
    specimen: Annotated[
        str | None,
        typer.Option(
            help="The specimen that all PATHS show. Default: one a file, by its name; files "
            "that share a name are left out."
        ),
    ] = None,
    element: Annotated[Element | None, typer.Option(help="What kind of item.")] = None,
    standing: Annotated[Standing | None, typer.Option(help="What is known of it.")] = None,
    marque: Annotated[str | None, typer.Option(help="The brand printed on it.")] = None,
    edition: Annotated[str | None, typer.Option(help="The design.")] = None,
    origin: Annotated[str | None, typer.Option(help="The press run it comes from.")] = None,
    view: Annotated[
        View | None, typer.Option(help="Side that the photos show. Default: face.")
    ] = None,
    lighting: Annotated[
        Lighting | None, typer.Option(help="How it was lit. Default: diffuse.")
    ] = None,
    px_per_mm: Annotated[float | None, typer.Option(help="Scale of the photos.")] = None,
    source: Annotated[str | None, typer.Option(help="Where the specimen came from.")] = None,
    confirmed_by: Annotated[str | None, typer.Option(help="Who confirmed the standing.")] = None,
    confirmed_on: Annotated[str | None, typer.Option(help="When, as YYYY-MM-DD.")] = None,
    basis: Annotated[str | None, typer.Option(help="On what grounds.")] = None,
    serial: Annotated[
        list[str] | None,
        typer.Option(
            metavar="[PLACE=]NUMBER",
            help="A serial number, and where on the item it stands; several with | between, or "
            "repeat the option. A |, = or \\ of the number itself has a \\ before it.",
        ),
    ] = None,
    notes: Annotated[str | None, typer.Option(help="Free text.")] = None,
    proposed: Annotated[
        bool, typer.Option("--proposed", help="Enter as proposed: somebody else confirms it.")
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Check all, write nothing.")] = False,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add photos of specimens whose standing is known.

    One bad photo or row never stops the rest; the end says how many of each, and the exit
    code is 1 if any was left out. Running it twice adds nothing twice. A manifest says by itself
    what its photos show: options that say so are refused beside one.
    """
    described = {
        "--specimen": specimen, "--element": element, "--standing": standing, "--marque": marque,
        "--edition": edition, "--origin": origin, "--view": view, "--lighting": lighting,
        "--px-per-mm": px_per_mm, "--source": source, "--confirmed-by": confirmed_by,
        "--confirmed-on": confirmed_on, "--basis": basis, "--serial": serial, "--notes": notes,
    }  # fmt: skip
    chosen = list(paths or [])
    if manifest is None:
        manifest, chosen = _manifest_in_folder(chosen)
    if manifest is not None:
        _refuse_beside(manifest, described)
    if manifest is None and not chosen:
        refuse("Name photos to add, or a manifest with --manifest.")
    if manifest is None and (element is None or standing is None):
        refuse(
            "Say what the photos show: --element band|seal|cap and --standing genuine|fake, "
            "or list them in a manifest (--manifest FILE.csv)."
        )
    with open_library(set_, reading=False) as library, progress_bar() as progress:
        if manifest is not None:
            report = library.add_manifest(
                manifest,
                by=person(by),
                only=chosen,
                proposed=proposed,
                dry_run=dry_run,
                progress=progress,
            )
        else:
            assert element is not None
            assert standing is not None
            element_, standing_ = element, standing
            serials = tuple(one for text in serial or () for one in read_serials(text, "--serial"))
            provenance = Provenance(source, confirmed_by, confirmed_on, basis)

            def specimen_for(stem: str) -> SpecimenRecord:
                return SpecimenRecord(
                    name=specimen or stem,
                    element=element_,
                    standing=standing_,
                    marque=marque,
                    edition=edition,
                    origin=origin,
                    provenance=provenance,
                    serials=serials,
                    notes=notes,
                )

            report = library.add_files(
                chosen,
                specimen_for,
                by=person(by),
                view=view or View.FACE,
                lighting=lighting or Lighting.DIFFUSE,
                px_per_mm=px_per_mm,
                proposed=proposed,
                dry_run=dry_run,
                progress=progress,
            )
    _print_report(report, as_json=as_json)
    if not report.ok:
        raise typer.Exit(ExitCode.PARTLY)


def _manifest_in_folder(paths: list[Path]) -> tuple[Path | None, list[Path]]:
    """Use the manifest.csv of a lone folder, if it holds one."""
    if len(paths) == 1 and (paths[0] / "manifest.csv").is_file():
        return paths[0] / "manifest.csv", []
    return None, paths


def _refuse_beside(manifest: Path, described: Mapping[str, object]) -> None:
    """Refuse options that a manifest would silently overrule."""
    given = [option for option, value in described.items() if value not in (None, [])]
    if given:
        refuse(
            f"{manifest} says what its photos show: leave out {', '.join(given)}, or name the "
            "photos themselves, without a manifest."
        )


def _print_report(report: AddReport, *, as_json: bool) -> None:
    if as_json:
        print_json(report.to_dict())
        return
    for fault in report.faults:
        err.print(f"left out: {fault}", style="red", soft_wrap=True)
    for fault in report.remarks:
        err.print(str(fault), style="yellow", soft_wrap=True)
    counts = report.to_dict()
    verb = "would be added" if report.dry_run else "added"
    out.print(
        f"{counts['added']} photos {verb}, {counts['already_known']} already known, "
        f"{counts['failed']} left out; {len(report.specimens)} specimens."
    )
