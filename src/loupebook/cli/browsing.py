"""`list`, `show`, `withdraw` and `reinstate`: look at records and take them in and out."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from loupebook.cli.common import (
    ByOption,
    JsonOption,
    SetOption,
    exits_clearly,
    folded_table,
    open_library,
    out,
    person,
    print_json,
)
from loupebook.cli.searching import SHAPES
from loupebook.library import Element, IntakeState, Outcome, PhotoRecord, SpecimenRecord, Standing


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command("list")(list_)
    app.command()(show)
    app.command()(withdraw)
    app.command()(reinstate)


@exits_clearly
def list_(
    set_: SetOption = None,
    element: Annotated[Element | None, typer.Option(help="Only this kind of item.")] = None,
    marque: Annotated[str | None, typer.Option(help="Only this marque.")] = None,
    edition: Annotated[str | None, typer.Option(help="Only this edition.")] = None,
    standing: Annotated[Standing | None, typer.Option(help="Only this standing.")] = None,
    origin: Annotated[str | None, typer.Option(help="Only this print origin.")] = None,
    state: Annotated[IntakeState | None, typer.Option(help="Only this intake state.")] = None,
    text: Annotated[str | None, typer.Option(help="Words in name, marque or notes.")] = None,
    as_json: JsonOption = False,
) -> None:
    """List the specimens of a set."""
    with open_library(set_, reading=True) as library:
        specimens = library.specimens(
            element=element,
            marque=marque,
            edition=edition,
            standing=standing,
            origin=origin,
            state=state,
            text=text,
        )
    if as_json:
        for specimen in specimens:
            print_json(specimen_dict(specimen))
        return
    table = folded_table("specimen", "element", "standing", "state", "marque", "edition", "origin")
    for one in specimens:
        table.add_row(
            one.name,
            str(one.element),
            SHAPES[one.standing],
            str(one.state),
            one.marque or "–",
            one.edition or "–",
            one.origin or "–",
        )
    out.print(table)
    out.print(f"{len(specimens)} specimens")


@exits_clearly
def show(
    specimen: Annotated[str, typer.Argument(metavar="SPECIMEN", help="Its name.")],
    set_: SetOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show one specimen with its photos and provenance."""
    with open_library(set_, reading=True) as library:
        record = library.specimen(specimen)
        photos = library.photos(specimen)
    shown = {**specimen_dict(record), "photos": [photo_dict(photo) for photo in photos]}
    if as_json:
        print_json(shown)
        return
    printed = {**shown, "serials": _serial_words(record)}
    for key, value in printed.items():
        if key != "photos" and value not in (None, ""):
            out.print(f"{key:>16}  {value}", soft_wrap=True)
    table = folded_table("no.", "photo", "view", "lighting", "size", "taken", "camera")
    for photo in photos:
        camera = " ".join(part for part in (photo.camera.make, photo.camera.model) if part)
        table.add_row(
            str(photo.photo_id),
            photo.file_name,
            str(photo.view),
            str(photo.lighting),
            f"{photo.width}×{photo.height}",
            photo.captured_at or "–",
            camera or "–",
        )
    out.print(table)


def _serial_words(record: SpecimenRecord) -> str:
    return ", ".join(
        f"{serial.value} ({serial.place})" if serial.place else serial.value
        for serial in record.serials
    )


@exits_clearly
def withdraw(
    specimen: Annotated[str, typer.Argument(metavar="SPECIMEN", help="Its name.")],
    reason: Annotated[str, typer.Option(help="Why; kept with the record.")],
    set_: SetOption = None,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take a specimen out of search at once; its record and photos stay."""
    with open_library(set_, reading=False) as library:
        done = library.withdraw(specimen, by=person(by), reason=reason)
    _say(done, "withdrawn", "it is withdrawn already, for the same reason", as_json=as_json)


@exits_clearly
def reinstate(
    specimen: Annotated[str, typer.Argument(metavar="SPECIMEN", help="Its name.")],
    set_: SetOption = None,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a withdrawn specimen back into search."""
    with open_library(set_, reading=False) as library:
        done = library.reinstate(specimen, by=person(by))
    _say(done, "reinstated", f"it is not withdrawn, but {done.record.state}", as_json=as_json)


def _say(done: Outcome[SpecimenRecord], what: str, why_not: str, *, as_json: bool) -> None:
    name = done.record.name
    if as_json:
        print_json({"specimen": name, "done": what if done.changed else None})
    elif done.changed:
        out.print(f"{name}: {what}.", soft_wrap=True)
    else:
        out.print(f"{name}: nothing changed; {why_not}.", soft_wrap=True)


def specimen_dict(record: SpecimenRecord) -> dict[str, Any]:
    """Return the JSON form of a specimen."""
    return {
        "specimen": record.name,
        "element": str(record.element),
        "standing": str(record.standing),
        "state": str(record.state),
        "marque": record.marque,
        "edition": record.edition,
        "origin": record.origin,
        "source": record.provenance.source,
        "confirmed_by": record.provenance.confirmed_by,
        "confirmed_on": record.provenance.confirmed_on,
        "basis": record.provenance.basis,
        "entered_by": record.provenance.entered_by,
        "entered_at": record.provenance.entered_at,
        "serials": [{"value": serial.value, "place": serial.place} for serial in record.serials],
        "notes": record.notes,
        "withdrawn_reason": record.withdrawn_reason,
    }


def photo_dict(photo: PhotoRecord) -> dict[str, Any]:
    """Return the JSON form of a photo's record."""
    return {
        "photo": photo.file_name,
        "photo_id": photo.photo_id,
        "sha256": photo.sha256,
        "view": str(photo.view),
        "lighting": str(photo.lighting),
        "media_type": photo.media_type,
        "bytes": photo.byte_count,
        "width": photo.width,
        "height": photo.height,
        "captured_at": photo.captured_at,
        "camera": {
            "make": photo.camera.make,
            "model": photo.camera.model,
            "lens": photo.camera.lens,
        },
        "px_per_mm": photo.px_per_mm,
    }
