"""Specimens whose label disagrees with what the other specimens say."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable

import numpy as np

from loupebook.evidence.gather import similarity_blocks
from loupebook.evidence.units import unit_codes
from loupebook.records.model import SpecimenRecord
from loupebook.setreport.context import ReportContext, edition_name
from loupebook.setreport.doubts import NEEDED, PRIOR, Doubt, Doubts, doubtful_standings
from loupebook.setreport.labels import LEAST_AGREEMENT, Suspicion, class_votes, judge_labels
from loupebook.setreport.model import Action, Finding, Section, Table

NAME = "label_suspects"
TITLE = "Suspect labels"
SHOWN = 20


def examine(context: ReportContext) -> Section:
    """Report specimens whose standing or edition the others contradict."""
    doubts = doubtful_standings(context)
    edition = _edition(context)
    named = [one for one in doubts.listed if one.named]
    told = [one for one in doubts.listed if one.told]
    return Section(
        NAME,
        TITLE,
        f"{_says_standing(doubts)} {_says_edition(edition)} "
        "A suspect is a question, not an answer: wear and light change photos and prints as well.",
        (*(_doubted(context, one) for one in named), *_editions_found(context, edition)),
        (_table(told),) if told else (),
        figures={
            "judged": len(doubts.listed),
            "standing_agreement": _rounded(doubts.agreement),
            "edition_agreement": _rounded(edition.agreement),
            "standing_suspects": len(named),
            "edition_suspects": int(edition.named.sum()),
            "order": [one.specimen for one in doubts.listed],
            "circumstances": list(doubts.circumstances),
        },
    )


def _rounded(share: float) -> float | None:
    return round(share, 4) if np.isfinite(share) else None


def _says_standing(doubts: Doubts) -> str:
    alone = ""
    if doubts.circumstances:
        alone = (
            f"The {' and the '.join(doubts.circumstances)} of the photos alone tells the standings "
            "apart (see “Confounds”), so that likeness may be reading that: here only prints that "
            "were held against each other speak. "
        )
    if not doubts.listed:
        return f"{alone}No specimen's standing could be judged."
    agreed = f"{len(doubts.listed)} could be judged"
    if np.isfinite(doubts.agreement):
        agreed += f", of which the others confirm {100 * doubts.agreement:.0f} % (both standings "
        agreed += "weighing the same)"
    told = sorted({f"{one.element}s" for one in doubts.listed if one.told})
    if not told:
        return (
            f"{alone}The standings are not told apart well enough for a suspicion (it takes "
            f"{NEEDED} genuine specimens and copies of {NEEDED} presses of an element): {agreed}; "
            "nobody is named."
        )
    count = sum(one.named for one in doubts.listed)
    return (
        f"{alone}{count} specimen{'s' * (count != 1)} {'looks' if count == 1 else 'look'} as if "
        f"the standing were wrong; {agreed}. A standing is named where it is more probably wrong "
        f"than right, if {100 * PRIOR:.0f} in 100 are; the set tells of {' and '.join(told)}."
    )


def _says_edition(judged: Suspicion) -> str:
    if not judged.names:
        return "No specimen's edition could be judged."
    agreed = f"of {len(judged.names)} that could be judged, the others confirm "
    agreed += f"{100 * judged.agreement:.0f} %"
    if judged.telling:
        return f"{int(judged.named.sum())} specimens look as if their edition were wrong; {agreed}."
    return (
        f"The photos do not tell the edition well enough for a suspicion: {agreed}, and below "
        f"{100 * LEAST_AGREEMENT:.0f} % of an edition in the mean nobody is named."
    )


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


def _doubted(context: ReportContext, one: Doubt) -> Finding:
    against = one.bounded or 0.0
    signs = " and ".join(["its photos"] * one.leans + ["its print"] * (one.print_ is not None))
    if one.fake:
        says = (
            f"{one.specimen} is recorded as a copy, but {signs}, so like the genuine ones, would "
            f"be about {10**against:.0f} times more probable for a genuine specimen of this set "
            "than for a copy from another press. It may be a very good copy."
        )
    else:
        says = (
            f"{one.specimen} is recorded as genuine, but {signs}, so like the copies, would be "
            f"about {10**against:.0f} times more probable for a copy than for a genuine specimen "
            f"of this set{_differing(one)}."
        )
    detail: dict[str, object] = {
        "recorded": one.recorded,
        "log10_lr_against": round(against, 2),
    }
    if one.print_ is not None:
        detail |= {"z": round(one.print_.z, 2), "differs": list(one.print_.differs)}
    return Finding(
        "suspect-standing",
        says,
        Action.CHECK_RECORD,
        (one.specimen,),
        tuple(photo.photo_id for photo in context.photos_of.get(one.specimen, ())),
        weight=float(np.clip(0.4 + 0.2 * against, 0, 1)),
        detail=detail,
    )


def _differing(one: Doubt) -> str:
    return f" ({', '.join(one.print_.differs)})" if one.print_ and one.print_.differs else ""


def _editions_found(context: ReportContext, judged: Suspicion) -> list[Finding]:
    found = []
    for i in judged.order().tolist():
        if not judged.named[i]:
            continue
        name = judged.names[i]
        borne, likelier = _edition_words(context.by_name[name], judged.best[i])
        found.append(
            Finding(
                "suspect-edition",
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


def _table(told: list[Doubt]) -> Table:
    rows = tuple(
        (
            one.specimen,
            one.recorded,
            " and ".join(["likeness"] * one.leans + ["print"] * (one.print_ is not None)),
            f"{10**one.against:.2g}",
            one.named,
        )
        for one in told[:SHOWN]
    )
    return Table(
        f"Standing: the {len(rows)} most doubtful of {len(told)}",
        ("specimen", "recorded as", "judged by", "LR against its standing, unbounded", "suspect"),
        rows,
    )
