"""What the set holds, edition by edition, and where it has gaps. Counts are of specimens."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import TypeAlias

from loupebook.records.model import Element, SpecimenRecord, Standing
from loupebook.setreport.context import ReportContext, edition_name
from loupebook.setreport.model import Action, Finding, Section, Table

NAME = "coverage"
TITLE = "Coverage"
FEW = 3
"""Specimens of one standing below which an edition is thin; our choice."""

_Edition: TypeAlias = tuple[Element, str, str]
_Shot: TypeAlias = tuple[str, str]


def examine(context: ReportContext) -> Section:
    """Count specimens by edition and standing, and find gaps in views and lightings."""
    held: dict[_Edition, list[SpecimenRecord]] = defaultdict(list)
    for specimen in context.specimens:
        held[_edition(specimen)].append(specimen)
    shots = {edition: _shots(context, members) for edition, members in held.items()}
    expected = _expected(shots)
    findings = [_thin(edition, members) for edition, members in held.items()]
    findings += [
        _missing_shot(edition, shot, held[edition])
        for edition, seen in shots.items()
        for shot in sorted(expected[edition[0]] - set(seen))
    ]
    gaps = [finding for finding in findings if finding is not None]
    genuine = sum(s.standing is Standing.GENUINE for s in context.specimens)
    return Section(
        NAME,
        TITLE,
        f"{len(context.specimens)} confirmed specimens ({genuine} genuine, "
        f"{len(context.specimens) - genuine} fake) in {len(context.photos)} photos, of "
        f"{len(held)} editions; {len(gaps)} gaps.",
        tuple(gaps),
        (_standing_table(held), _shot_table(shots)),
        figures={
            "specimens": len(context.specimens),
            "photos": len(context.photos),
            "genuine": genuine,
            "fake": len(context.specimens) - genuine,
            "editions": len(held),
            "grid": _grid(context),
        },
    )


def _edition(specimen: SpecimenRecord) -> _Edition:
    return specimen.element, specimen.marque or "", specimen.edition or ""


def _shots(context: ReportContext, members: list[SpecimenRecord]) -> Counter[_Shot]:
    """Count specimens by view and lighting."""
    return Counter(
        shot
        for member in members
        for shot in {(str(p.view), str(p.lighting)) for p in context.photos_of.get(member.name, ())}
    )


def _expected(shots: dict[_Edition, Counter[_Shot]]) -> dict[Element, set[_Shot]]:
    """Return the view and lighting pairs that at least half of an element's editions have."""
    editions = Counter(edition[0] for edition in shots)
    having = Counter((edition[0], shot) for edition, seen in shots.items() for shot in seen)
    return {
        element: {
            shot
            for (other, shot), count in having.items()
            if other is element and count >= 2 and 2 * count >= total
        }
        for element, total in editions.items()
    }


def _thin(edition: _Edition, members: list[SpecimenRecord]) -> Finding | None:
    counts = Counter(member.standing for member in members)
    short = [
        f"{counts[standing] or 'no'} {standing}" for standing in Standing if counts[standing] < FEW
    ]
    if not short:
        return None
    missing = sum(max(0, FEW - counts[standing]) for standing in Standing)
    return Finding(
        "thin-edition",
        f"{_name(edition)} has {' and '.join(short)} "
        f"{'specimen' if short[-1].startswith('1 ') else 'specimens'}; {FEW} of each are the "
        "least that a comparison can rest on.",
        Action.COLLECT,
        tuple(member.name for member in members[:FEW]),
        weight=0.3 + 0.1 * missing / FEW,
        detail={"edition": _name(edition), **{str(s): counts[s] for s in Standing}},
    )


def _missing_shot(edition: _Edition, shot: _Shot, members: list[SpecimenRecord]) -> Finding:
    return Finding(
        "missing-shot",
        f"{_name(edition)} has no photo of the {shot[0]} in {shot[1]} light, which most other "
        f"{edition[0]} editions have.",
        Action.PHOTOGRAPH,
        tuple(member.name for member in members),
        weight=0.5,
        detail={"edition": _name(edition), "view": shot[0], "lighting": shot[1]},
    )


def _name(edition: _Edition) -> str:
    element, marque, name = edition
    return f"{edition_name(marque, name)} ({element})".lstrip()


def _standing_table(held: dict[_Edition, list[SpecimenRecord]]) -> Table:
    rows = []
    for edition, members in sorted(held.items()):
        counts = Counter(member.standing for member in members)
        origins = {m.origin for m in members if m.standing is Standing.FAKE and m.origin}
        rows.append((_name(edition), counts[Standing.GENUINE], counts[Standing.FAKE], len(origins)))
    return Table(
        "Specimens by edition", ("edition", "genuine", "fake", "print origins"), tuple(rows)
    )


def _shot_table(shots: dict[_Edition, Counter[_Shot]]) -> Table:
    columns = sorted({shot for seen in shots.values() for shot in seen})
    rows = tuple(
        (_name(edition), *(seen[shot] for shot in columns))
        for edition, seen in sorted(shots.items())
    )
    heads = tuple(f"{view}, {lighting}" for view, lighting in columns)
    return Table("Specimens by view and lighting", ("edition", *heads), rows)


def _grid(context: ReportContext) -> list[dict[str, object]]:
    """Return the whole grid: one entry a combination that occurs, with its specimens."""
    cells: dict[tuple[str | None, ...], set[str]] = defaultdict(set)
    for specimen in context.specimens:
        for photo in context.photos_of.get(specimen.name, ()):
            cells[
                (
                    str(specimen.element), specimen.marque, specimen.edition, str(photo.view),
                    str(photo.lighting), str(specimen.standing), specimen.origin,
                )
            ].add(specimen.name)  # fmt: skip
    names = ("element", "marque", "edition", "view", "lighting", "standing", "origin")
    return [
        {**dict(zip(names, cell, strict=True)), "specimens": len(members)}
        for cell, members in sorted(cells.items(), key=lambda item: tuple(map(str, item[0])))
    ]
