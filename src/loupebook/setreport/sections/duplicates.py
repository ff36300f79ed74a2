"""Photos that are in the set twice, exactly or nearly."""

from __future__ import annotations

from loupebook.setreport.context import ReportContext
from loupebook.setreport.copies import CopyPair
from loupebook.setreport.model import Action, Finding, Section

NAME = "duplicates"
TITLE = "Duplicates"


def examine(context: ReportContext) -> Section:
    """Report every pair of photos that are the same picture."""
    findings = [_finding(context, pair) for pair in context.copies]
    exact = sum(pair.exact for pair in context.copies)
    across = sum(len(set(finding.specimens)) > 1 for finding in findings)
    return Section(
        NAME,
        TITLE,
        f"{exact} pairs of photos have equal pixels and {len(findings) - exact} are nearly the "
        f"same picture; {across} of these pairs lie under two specimens."
        if findings
        else "No photo is in the set twice.",
        tuple(findings),
        figures={"exact": exact, "near": len(findings) - exact, "across_specimens": across},
    )


def _finding(context: ReportContext, pair: CopyPair) -> Finding:
    one, other = context.photos[pair.one], context.photos[pair.other]
    alike = "have equal pixels" if pair.exact else "are nearly the same picture"
    twice = one.specimen != other.specimen
    says = f"{one.file_name} of {one.specimen} and {other.file_name} of {other.specimen} {alike}."
    if twice:
        says += " One object may have been entered twice."
    return Finding(
        "exact-duplicate" if pair.exact else "near-duplicate",
        says,
        Action.MERGE if twice else Action.OPEN_PAIR,
        (one.specimen, other.specimen) if twice else (one.specimen,),
        (pair.one, pair.other),
        weight=(0.9 if twice else 0.5) + (0.1 if pair.exact else 0.1 * pair.check.fine - 0.05),
        detail={
            "inliers": pair.check.inliers,
            "overlap": round(pair.check.overlap, 3),
            "coarse": round(pair.check.coarse, 3),
            "fine": round(pair.check.fine, 3),
        },
    )
