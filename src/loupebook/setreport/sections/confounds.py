"""Could a search be reading the camera? How well circumstances alone predict the standing.

Each circumstance (camera, background, size, sharpness, brightness, lighting, file type) is
tested alone, specimens as units, labels permuted within editions; p-values are corrected
for their number (Holm).
"""

from __future__ import annotations

from collections.abc import Mapping

from loupebook.setreport.association import Association
from loupebook.setreport.circumstances import Circumstance
from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import Action, Finding, Section, Table

NAME = "confounds"
TITLE = "Confounds"


def examine(context: ReportContext) -> Section:
    """Test every circumstance against the standing."""
    circumstances = context.circumstances
    findings = tuple(
        _finding(name, one.found, one.p_value)
        for name, one in circumstances.items()
        if one.telling and one.found
    )
    return Section(
        NAME,
        TITLE,
        _summary(findings, sum(one.found is not None for one in circumstances.values())),
        findings,
        (_table(circumstances),) if circumstances else (),
        figures={name: _figures(one) for name, one in circumstances.items()},
    )


def _figures(one: Circumstance) -> dict[str, float] | None:
    if one.found is None:
        return None
    return {
        "area": round(one.found.area, 4),
        "p_value": round(one.found.p_value, 5),
        "p_corrected": round(one.p_value, 5),
        "specimens": one.found.units,
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


def _summary(findings: tuple[Finding, ...], tested: int) -> str:
    if not tested:
        return (
            "Nothing could be tested: that takes an edition with genuine and fake specimens, "
            "and photos taken in more than one way."
        )
    if not findings:
        return f"None of {tested} circumstances predicts the standing by itself."
    named = ", ".join(str(finding.detail["circumstance"]) for finding in findings)
    return f"{len(findings)} of {tested} circumstances predict the standing: {named}."


def _table(circumstances: Mapping[str, Circumstance]) -> Table:
    return Table(
        "How well each circumstance alone predicts the standing",
        ("circumstance", "area under ROC", "p", "p corrected", "specimens"),
        tuple(_row(name, one) for name, one in circumstances.items()),
    )


def _row(name: str, one: Circumstance) -> tuple[object, ...]:
    found = one.found
    if found is None:
        # Where it varies, no edition with both standings has photos taken in more than one way.
        return name, "could not be tested" if one.varies else "does not vary", "", "", ""
    return name, f"{found.area:.2f}", f"{found.p_value:.4f}", f"{one.p_value:.4f}", found.units
