"""`sheet`, `examinations` and `practice`: what goes on paper, on record, and into training."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from loupebook.cli.common import (
    ByOption,
    JsonOption,
    SetOption,
    err,
    exits_clearly,
    folded_table,
    open_library,
    out,
    person,
    print_json,
    refuse,
)
from loupebook.library import Element, Lighting, Paper, View, definition_of

if TYPE_CHECKING:
    from loupebook.library import Library, MadeSheet, SheetDefinition
    from loupebook.sheets.typeset import Form


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(sheet)


@exits_clearly
def sheet(
    template: Annotated[
        str | None,
        typer.Argument(
            metavar="TEMPLATE",
            help="pair, years, press, point, lighting or pocket. Left out with --saved or --list.",
        ),
    ] = None,
    set_: SetOption = None,
    target: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="A .pdf, or a .png a page. Default: sheet.pdf."),
    ] = None,
    marque: Annotated[str | None, typer.Option(help="The brand.")] = None,
    edition: Annotated[str | None, typer.Option(help="The design.")] = None,
    element: Annotated[Element | None, typer.Option(help="What kind of item.")] = None,
    origin: Annotated[str | None, typer.Option(help="The print origin of copies.")] = None,
    view: Annotated[View | None, typer.Option(help="Side that is shown. Default: face.")] = None,
    lighting: Annotated[
        Lighting | None, typer.Option(help="How it was lit. Default: diffuse.")
    ] = None,
    specimen: Annotated[
        list[str] | None,
        typer.Option(
            help="Which specimens; may be repeated. For a pair the genuine one first; beside one "
            "alone comes the first of the other standing."
        ),
    ] = None,
    point: Annotated[str | None, typer.Option(help="Which point, for 'point'.")] = None,
    paper: Annotated[
        Paper | None,
        typer.Option(case_sensitive=False, help="What it is printed on. Default: a4."),
    ] = None,
    scale: Annotated[
        float | None,
        typer.Option(help="Magnification; 1 is life size. Default: the greatest that fits."),
    ] = None,
    title: Annotated[str | None, typer.Option(help="Instead of the template's own.")] = None,
    note: Annotated[str | None, typer.Option(help="A line under the title.")] = None,
    save: Annotated[
        str | None, typer.Option(metavar="NAME", help="Keep the definition in the set.")
    ] = None,
    saved: Annotated[
        str | None, typer.Option(metavar="NAME", help="Make a kept sheet as the set now stands.")
    ] = None,
    list_: Annotated[
        bool, typer.Option("--list", help="List kept sheets and whether the set has moved on.")
    ] = False,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make a comparison sheet to print: A4 or Letter, PDF or PNG, at true scale.

    Pictures are laid into one frame where that holds, and cropped where not, and the sheet
    says so. It compares; it never says that an item is genuine.
    """
    asked = {
        "template": template, "marque": marque, "edition": edition, "element": element,
        "origin": origin, "view": view, "lighting": lighting, "specimens": specimen,
        "point": point, "paper": paper, "scale": scale, "title": title, "note": note,
    }  # fmt: skip
    keeps = bool(save or saved)
    with open_library(set_, reading=not keeps) as library:
        if list_:
            beside = {**asked, "out": target, "save": save, "saved": saved}
            _refuse_beside("--list only lists what is kept", beside)
            _list_sheets(library, as_json=as_json)
            return
        file = target or Path("sheet.pdf")
        form = _form_of(file)
        if saved is not None:
            _refuse_beside("--saved makes a sheet as it was kept", {**asked, "save": save})
            made = library.sheets.make_saved(saved, form=form, by=person(by))
        elif template is None:
            refuse("Name a template, or a kept sheet with --saved.")
        else:
            made = _make(library, definition_of(**asked), form, save=save, by=by)
    _say_made(made, file, as_json=as_json)


def _form_of(file: Path) -> Form:
    forms: dict[str, Form] = {".pdf": "pdf", ".png": "png"}
    form = forms.get(file.suffix.lower())
    if form is None:
        refuse(f"A sheet is a .pdf, or a .png a page: {file} is neither.")
    return form


def _refuse_beside(says: str, asked: Mapping[str, object]) -> None:
    """Refuse what would silently be passed over."""
    given = [name for name, value in asked.items() if value not in (None, [])]
    if given:
        refuse(f"{says}: leave out {', '.join(given)}, or name a template and not that.")


def _make(
    library: Library, definition: SheetDefinition, form: Form, *, save: str | None, by: str | None
) -> MadeSheet:
    made = library.sheets.make(definition, form=form)
    if save is not None:
        # Only now: what cannot be made must not replace what is kept under that name.
        library.sheets.keep_made(save, definition, made, by=person(by))
    return made


def _say_made(made: MadeSheet, file: Path, *, as_json: bool) -> None:
    from loupebook.library import write_sheet

    paths = write_sheet(made, file)
    if as_json:
        print_json(
            {
                "files": [str(path) for path in paths],
                "bytes": sum(map(len, made.files)),
                "photos": list(made.made_from),
                "remarks": list(made.remarks),
            }
        )
        return
    for remark in made.remarks:
        err.print(remark, style="yellow", soft_wrap=True)
    for path in paths:
        out.print(str(path), soft_wrap=True)


def _list_sheets(library: Library, *, as_json: bool) -> None:
    states = [library.sheets.state(record.name) for record in library.sheets.saved()]
    if as_json:
        for state in states:
            record = state.record
            print_json({"name": record.name, "definition": record.definition, "says": state.says()})
        return
    table = folded_table("name", "template", "saved", "by", "state")
    for state in states:
        record = state.record
        table.add_row(
            record.name, str(record.definition["template"]), record.at[:10], record.by, state.says()
        )
    out.print(table)
