"""Specimens whose label disagrees with what the other specimens say."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable

import numpy as np

from loupebook.evidence.gather import similarity_blocks
from loupebook.evidence.units import unit_codes
from loupebook.records.model import SpecimenRecord
from loupebook.setreport.context import ReportContext, edition_name
from loupebook.setreport.labels import (
    LEAST_AGREEMENT,
    Suspicion,
    class_votes,
    judge_labels,
    standing_probability,
)
from loupebook.setreport.model import Action, Finding, Section, Table

NAME = "label_suspects"
TITLE = "Suspect labels"
STANDINGS = ("genuine", "fake")
SHOWN = 20


def examine(context: ReportContext) -> Section:
    """Report specimens whose standing or edition the others contradict."""
    standing = _standing(context)
    edition = _edition(context)
    findings = [*_findings(context, standing, "standing"), *_findings(context, edition, "edition")]
    order = standing.order()
    return Section(
        NAME,
        TITLE,
        f"{_says(standing, 'standing')} {_says(edition, 'edition')} "
        "A suspect is a question, not an answer.",
        tuple(findings),
        (_table(standing),) if standing.telling else (),
        figures={
            "judged": len(standing.names),
            "standing_agreement": _rounded(standing.agreement),
            "edition_agreement": _rounded(edition.agreement),
            "standing_suspects": int(standing.named.sum()),
            "edition_suspects": int(edition.named.sum()),
            "order": [standing.names[i] for i in order],
        },
    )


def _rounded(share: float) -> float | None:
    return round(share, 4) if np.isfinite(share) else None


def _says(judged: Suspicion, what: str) -> str:
    if not judged.names:
        return f"No specimen's {what} could be judged."
    agreed = f"of {len(judged.names)} that could be judged, the others confirm "
    agreed += f"{100 * judged.agreement:.0f} %"
    if judged.telling:
        return f"{int(judged.named.sum())} specimens look as if their {what} were wrong; {agreed}."
    return (
        f"The photos do not tell the {what} well enough for a suspicion: {agreed}, and below "
        f"{100 * LEAST_AGREEMENT:.0f} % nobody is named."
    )


def _standing(context: ReportContext) -> Suspicion:
    table = context.table
    kinds = [
        (edition, fact.view, fact.lighting)
        for edition, fact in zip(table.editions, table.facts, strict=True)
    ]
    fake = table.fake
    chance = standing_probability(context.vectors, table.specimens, fake, kinds)
    both = np.stack([1 - chance, chance], axis=1)
    return judge_labels(both, fake.astype(np.intp), table.specimens, STANDINGS)


def _edition(context: ReportContext) -> Suspicion:
    table = context.table
    labels, count = unit_codes(table.editions)
    classes = list(dict.fromkeys(table.editions))
    chance = np.full((len(table), count), np.nan)
    if count > 1:
        everyone = np.arange(len(table))
        for block, similarity in similarity_blocks(
            context.vectors, everyone, table.specimen_codes, progress=context.progress
        ):
            chance[block] = class_votes(similarity, labels, count)
    # Of an edition with one specimen, no other can speak for it.
    holders = Counter(e for e, _ in set(zip(table.editions, table.specimens, strict=True)))
    alone = [holders[edition] < 2 for edition in classes]
    chance[np.array([alone[label] for label in labels], dtype=bool)] = np.nan
    return judge_labels(chance, labels, table.specimens, classes)


def _findings(context: ReportContext, judged: Suspicion, what: str) -> list[Finding]:
    found = []
    for i in judged.order().tolist():
        if not judged.named[i]:
            continue
        name = judged.names[i]
        specimen = context.by_name[name]
        best = judged.best[i]
        if what == "standing":
            borne, likelier = str(specimen.standing), str(best)
        else:
            borne, likelier = _edition_words(specimen, best)
        found.append(
            Finding(
                f"suspect-{what}",
                f"{name} is recorded as {borne}, but the specimens nearest to it speak for "
                f"{likelier} ({100 * judged.other[i]:.0f} % of the votes).",
                Action.CHECK_RECORD,
                (name,),
                tuple(photo.photo_id for photo in context.photos_of.get(name, ())),
                weight=float(np.clip(0.5 + (judged.other[i] - judged.own[i]) / 2, 0, 1)),
                detail={
                    "own": round(float(judged.own[i]), 3),
                    "other": round(float(judged.other[i]), 3),
                },
            )
        )
    return found


def _edition_words(specimen: SpecimenRecord, best: Hashable) -> tuple[str, str]:
    """Name the edition borne and the likelier one, and their elements where these differ."""
    borne = edition_name(specimen.marque, specimen.edition) or "no edition"
    if not isinstance(best, tuple):
        return borne, "one without an edition"
    element, marque, edition = best
    likelier = edition_name(marque, edition)
    if element is specimen.element:
        return borne, likelier
    return f"{borne} ({specimen.element})", f"{likelier} ({element})"


def _table(judged: Suspicion) -> Table:
    rows = tuple(
        (judged.names[i], f"{judged.own[i]:.2f}", f"{judged.other[i]:.2f}", bool(judged.named[i]))
        for i in judged.order()[:SHOWN].tolist()
    )
    return Table(
        f"Standing: the {len(rows)} most doubtful of {len(judged.names)}",
        ("specimen", "for its standing", "for the other", "suspect"),
        rows,
    )
