"""Could a search be reading the camera? How well circumstances alone predict the standing.

Each circumstance (camera, background, size, sharpness, brightness, lighting, file type) is
tested alone, specimens as units, labels permuted within editions; p-values are corrected
for their number (Holm).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from loupebook.records.model import PhotoRecord, SpecimenRecord, Standing
from loupebook.setreport.association import Association, associate, holm
from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import Action, Finding, Section, Table
from loupebook.setreport.traits import PhotoTraits

NAME = "confounds"
TITLE = "Confounds"
LEVEL = 0.05
LEAST_AREA = 0.65
"""Below this, a circumstance predicts too little to mislead a search, however sure it is."""

_Values: TypeAlias = list[float]
_Measure: TypeAlias = Callable[[PhotoRecord, PhotoTraits], _Values]


def _camera(photo: PhotoRecord) -> Hashable:
    return (photo.camera.make, photo.camera.model)


CATEGORIES: dict[str, Callable[[PhotoRecord], Hashable]] = {
    "camera": _camera,
    "lighting": lambda photo: photo.lighting,
    "file type": lambda photo: photo.media_type,
}
MEASURES: dict[str, _Measure] = {
    "background": lambda _, t: [t.frame_l, t.frame_a, t.frame_b, t.frame_texture],
    "size": lambda p, _: [float(np.log(p.width * p.height)), float(np.log(p.width / p.height))],
    "sharpness": lambda _, t: [t.sharpness],
    "brightness": lambda _, t: [t.brightness],
}


def examine(context: ReportContext) -> Section:
    """Test every circumstance against the standing."""
    specimens = [s for s in context.specimens if _seen(context, s)]
    if not specimens:
        return Section(NAME, TITLE, _summary((), {}))
    fake = np.array([s.standing is Standing.FAKE for s in specimens], dtype=bool)
    features = _features(context, specimens)
    found = {name: associate(one, fake, _strata(specimens)) for name, one in features.items()}
    tested = {name: one for name, one in found.items() if one is not None}
    corrected = dict(zip(tested, holm([t.p_value for t in tested.values()]), strict=True))
    findings = tuple(
        _finding(name, one, corrected[name])
        for name, one in tested.items()
        if corrected[name] <= LEVEL and one.area >= LEAST_AREA
    )
    return Section(
        NAME,
        TITLE,
        _summary(findings, tested),
        findings,
        (_table(features, found, corrected),),
        figures={
            name: None
            if one is None
            else {
                "area": round(one.area, 4),
                "p_value": round(one.p_value, 5),
                "p_corrected": round(corrected[name], 5),
                "specimens": one.units,
            }
            for name, one in found.items()
        },
    )


def _seen(context: ReportContext, specimen: SpecimenRecord) -> bool:
    return any(p.photo_id in context.traits for p in context.photos_of.get(specimen.name, ()))


def _strata(specimens: list[SpecimenRecord]) -> list[Hashable]:
    """Editions, where at least half of the specimens lie in editions of both standings."""
    editions: list[Hashable] = [(s.element, s.marque, s.edition) for s in specimens]
    standings: dict[Hashable, set[Standing]] = {}
    for edition, specimen in zip(editions, specimens, strict=True):
        standings.setdefault(edition, set()).add(specimen.standing)
    mixed = sum(len(standings[edition]) > 1 for edition in editions)
    return editions if 2 * mixed >= len(specimens) else [s.element for s in specimens]


def _features(
    context: ReportContext, specimens: list[SpecimenRecord]
) -> dict[str, NDArray[np.float64]]:
    rows: dict[str, list[_Values]] = {name: [] for name in (*CATEGORIES, *MEASURES)}
    levels = {
        name: [value for value, _ in Counter(map(of, context.photos.values())).most_common(12)]
        for name, of in CATEGORIES.items()
    }
    for specimen in specimens:
        photos = [p for p in context.photos_of[specimen.name] if p.photo_id in context.traits]
        for name, of in CATEGORIES.items():
            values = [of(photo) for photo in photos]
            rows[name].append([values.count(level) / len(values) for level in levels[name]])
        for name, measure in MEASURES.items():
            measured = [measure(photo, context.traits[photo.photo_id]) for photo in photos]
            rows[name].append(np.mean(measured, axis=0).tolist())
    return {
        name: np.array(values, dtype=np.float64).reshape(len(specimens), -1)
        for name, values in rows.items()
    }


def _finding(name: str, one: Association, p_value: float) -> Finding:
    return Finding(
        f"confound-{name.replace(' ', '-')}",
        f"The {name} of the photos alone tells genuine from fake with an area of {one.area:.2f} "
        f"(p = {p_value:.3g}, {one.units} specimens): a search may be reading the {name}. "
        f"Photograph some of both standings alike.",
        Action.RE_PHOTOGRAPH,
        weight=min(1.0, 0.5 + (one.area - 0.5)),
        detail={"circumstance": name, "area": round(one.area, 4), "p_value": round(p_value, 5)},
    )


def _summary(findings: tuple[Finding, ...], tested: dict[str, Association]) -> str:
    if not tested:
        return (
            "Nothing could be tested: that takes an edition with genuine and fake specimens, "
            "and photos taken in more than one way."
        )
    if not findings:
        return f"None of {len(tested)} circumstances predicts the standing by itself."
    named = ", ".join(str(finding.detail["circumstance"]) for finding in findings)
    return f"{len(findings)} of {len(tested)} circumstances predict the standing: {named}."


def _table(
    features: dict[str, NDArray[np.float64]],
    found: dict[str, Association | None],
    corrected: dict[str, float],
) -> Table:
    rows = tuple(
        (name, f"{one.area:.2f}", f"{one.p_value:.4f}", f"{corrected[name]:.4f}", one.units)
        if one
        else (name, _why_untested(features[name]), "", "", "")
        for name, one in found.items()
    )
    return Table(
        "How well each circumstance alone predicts the standing",
        ("circumstance", "area under ROC", "p", "p corrected", "specimens"),
        rows,
    )


def _why_untested(features: NDArray[np.float64]) -> str:
    """Say why a circumstance has no figure: it is one throughout, or no edition tells anything."""
    return "could not be tested" if np.ptp(features, axis=0).max() > 1e-9 else "does not vary"
