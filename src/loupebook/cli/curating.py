"""`confirm`, `edit`, `undo`, `history`, `people`, `settings`: keep records right, say who may."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from loupebook.cli.common import (
    ByOption,
    ExitCode,
    JsonOption,
    SetOption,
    err,
    exits_clearly,
    folded_table,
    open_library,
    out,
    person,
    print_json,
    recordable,
    refuse,
)
from loupebook.library import Basis, Outcome, Role, read_serials, without_photo_words

if TYPE_CHECKING:
    from loupebook.library import Library, PhotoRecord

ReasonOption = Annotated[str, typer.Option(help="Why; kept in the log.")]
SpecimenArgument = Annotated[str, typer.Argument(metavar="SPECIMEN", help="Its name.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(confirm)
    app.command()(edit)
    app.command()(undo)
    app.command()(history)
    app.command()(people)
    app.command()(settings)


@exits_clearly
def confirm(
    specimen: SpecimenArgument,
    grounds: Annotated[Basis, typer.Option(help="On what grounds.")],
    set_: SetOption = None,
    reference: Annotated[
        str, typer.Option(help="What the grounds can be looked up by: number, date, file.")
    ] = "",
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Confirm a proposed specimen; from then on it is searched.

    Where the set asks for two persons, whoever entered or changed it cannot confirm it. One that
    is confirmed already keeps the grounds that it has: other grounds are for 'edit'.
    """
    with open_library(set_, reading=False) as library:
        done = library.confirm(specimen, by=person(by), basis=grounds.with_reference(reference))
    told = {"specimen": done.record.name, "state": "confirmed", "changed": done.changed}
    so = "confirmed" if done.changed else "nothing changed; you have confirmed it so already"
    _say(told, f"{done.record.name}: {so}.", as_json=as_json)


@exits_clearly
def edit(
    specimen: SpecimenArgument,
    reason: ReasonOption,
    set_: SetOption = None,
    photo: Annotated[
        int | None,
        typer.Option(
            help="Correct this photo of it instead, by its number ('show' tells it): view, "
            "lighting, px_per_mm, or specimen to move it to another."
        ),
    ] = None,
    put: Annotated[
        list[str] | None,
        typer.Option(
            "--put",
            metavar="FIELD=VALUE",
            help="element, standing, marque, edition, origin, source, confirmed_by, confirmed_on, "
            "basis, notes, or serials as VALUE or PLACE=VALUE with | between (\\| and \\= where "
            "they belong to a number); nothing after = clears the field. May be repeated.",
        ),
    ] = None,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Correct the record of a specimen; the log keeps what was there before."""
    changes = dict(_read_change(text) for text in put or [])
    if not changes:
        refuse("Say what to change: --put standing=fake, for example.")
    with open_library(set_, reading=False) as library:
        done: Outcome[Any]
        if photo is not None:
            done = _edit_photo(library, specimen, photo, changes, person(by), reason)
        else:
            done = library.edit_specimen(specimen, changes, by=person(by), reason=reason)
        record = library.specimen(specimen)
    state = {
        "specimen": record.name, "state": str(record.state), "changed": sorted(done.fields),
        "emptied": done.emptied,
    }  # fmt: skip
    so = "changed" if done.changed else "nothing changed, as all of it is on record so"
    _say(state, f"{record.name}: {so}; it is {record.state}.", as_json=as_json)
    _tell_emptied(done)


def _tell_emptied(done: Outcome[Any]) -> None:
    if done.emptied is not None:
        err.print(without_photo_words(done.emptied), style="yellow", soft_wrap=True)


def _edit_photo(
    library: Library, specimen: str, photo: int, changes: dict[str, Any], by: str, reason: str
) -> Outcome[PhotoRecord]:
    if library.photo(photo).specimen != specimen:
        refuse(f"Photo {photo} is none of {specimen}.")
    if isinstance(scale := changes.get("px_per_mm"), str):
        try:
            changes["px_per_mm"] = float(scale)
        except ValueError:
            refuse(f"{scale!r} is no number of px per mm.")
    return library.edit_photo(photo, changes, by=by, reason=reason)


def _read_change(text: str) -> tuple[str, Any]:
    field, equals, value = text.partition("=")
    field = field.strip()
    if not equals:
        refuse(f"{text!r}: write a change as FIELD=VALUE.")
    if field != "serials":
        return field, value.strip() or None
    return field, [[serial.value, serial.place] for serial in read_serials(value, field)]


@exits_clearly
def undo(
    line: Annotated[
        int,
        typer.Argument(help="Line of the log, as 'history' shows it.", callback=recordable),
    ],
    reason: ReasonOption,
    set_: SetOption = None,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put back what a line of the log changed. The line stays; this becomes another."""
    with open_library(set_, reading=False) as library:
        done = library.undo(line, by=person(by), reason=reason)
    name = done.record.name
    told = {"specimen": name, "undone": line, "emptied": done.emptied}
    _say(told, f"{name}: line {line} undone.", as_json=as_json)
    _tell_emptied(done)


@exits_clearly
def history(
    specimen: SpecimenArgument, set_: SetOption = None, as_json: JsonOption = False
) -> None:
    """Show who changed which field of a specimen, when and why."""
    with open_library(set_, reading=True) as library:
        library.specimen(specimen)
        changes = library.field_history(specimen)
    if as_json:
        for change in changes:
            print_json(asdict(change))
        return
    line = None
    for one in changes:
        if one.line != line:
            line = one.line
            why = f": {one.reason}" if one.reason else ""
            when = one.at[:16].replace("T", " ")
            head = f"line {line}, {when} UTC, {one.by}, {one.action}{why}"
            out.print(head, style="bold", soft_wrap=True)
        after = one.after or "not recorded"
        was = f"{one.before} → " if one.before else ""
        of = f" of {one.photo}" if one.photo else ""
        out.print(f"  {one.field}{of}: {was}{after}", soft_wrap=True)


@exits_clearly
def people(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="Whom to enter or change.")
    ] = None,
    set_: SetOption = None,
    identity: Annotated[
        str | None,
        typer.Option(help="E-mail address or subject by which the identity provider knows them."),
    ] = None,
    role: Annotated[
        list[Role] | None,
        typer.Option(help="May be repeated; with --identity and no role the person is locked out."),
    ] = None,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the persons of a set, or say what one may do. Needed for a team that logs in."""
    if name is None and (identity is not None or role):
        refuse("Name the person whom --identity and --role are of.")
    with open_library(set_, reading=name is None) as library:
        if name is not None:
            if identity is None:
                refuse("Give --identity: what the person logs in by.")
            library.set_person(name, identity=identity, roles=role or (), by=person(by))
        listed = library.people()
    if as_json:
        for one in listed:
            print_json(
                {"name": one.name, "identity": one.identity, "roles": sorted(map(str, one.roles))}
            )
        return
    if not listed:
        out.print("Nobody is listed: whoever can open the folder may do everything.")
        return
    table = folded_table("name", "logs in by", "roles")
    for one in listed:
        roles = ", ".join(sorted(map(str, one.roles))) or "none: locked out"
        table.add_row(one.name, one.identity, roles)
    out.print(table)


@exits_clearly
def settings(
    reason: ReasonOption,
    set_: SetOption = None,
    name: Annotated[str | None, typer.Option(help="Name to show.")] = None,
    notice: Annotated[
        str | None, typer.Option(help="A line shown wherever the set is shown; empty for none.")
    ] = None,
    two_person: Annotated[
        bool | None,
        typer.Option(
            "--two-person/--one-person",
            help="Whether a second person must confirm what is entered.",
        ),
    ] = None,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Change what a set says of itself, or how many persons a confirmation takes."""
    given = {"name": name, "notice": notice, "two_person": two_person}
    changes = {field: value for field, value in given.items() if value is not None}
    if not changes:
        err.print("Say what to change: --name, --notice, --two-person or --one-person.")
        raise typer.Exit(ExitCode.WRONG_USE)
    with open_library(set_, reading=False) as library:
        done = library.edit_set(changes, by=person(by), reason=reason)
    info = done.record
    told = {
        "set": info.name, "notice": info.notice, "two_person": info.two_person,
        "changed": sorted(done.fields),
    }  # fmt: skip
    rule = "two persons" if info.two_person else "one person"
    so = "changed" if done.changed else "nothing changed"
    _say(told, f"{info.name}: {so}; a confirmation takes {rule}.", as_json=as_json)


def _say(told: dict[str, Any], words: str, *, as_json: bool) -> None:
    if as_json:
        print_json(told)
    else:
        out.print(words, soft_wrap=True)
