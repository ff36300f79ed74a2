"""Rebuilding derived files and checking a whole set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from loupebook.errors import LoupebookError
from loupebook.evidence.stored import forget_calibrations
from loupebook.library.thumbnails import ThumbnailCache
from loupebook.records.catalogue import Catalogue
from loupebook.records.verify import VerifyReport
from loupebook.search import Pending, Progress, ReadPhoto, SearchArm, SyncReport
from loupebook.search.files import remove_leftovers
from loupebook.setreport import forget_reports


@dataclass(frozen=True)
class RebuildReport:
    """What a rebuild has made, arm by arm."""

    arms: Mapping[str, SyncReport]

    @property
    def ok(self) -> bool:
        """Whether every photo could be read."""
        return not any(report.failed for report in self.arms.values())

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            name: {
                "added": report.added,
                "withdrawn": report.withdrawn,
                "kept": report.kept,
                "failed": {str(photo): why for photo, why in report.failed.items()},
            }
            for name, report in self.arms.items()
        }


@dataclass(frozen=True)
class ArmCheck:
    """How an arm's derived state stands against the catalogue.

    Parameters
    ----------
    missing : int
        Photos it does not hold yet.
    surplus : int
        Photos it still holds but must not.
    damage : str, optional
        Why its files cannot be used.
    only_read : bool
        Whether this user may not write them.
    """

    missing: int
    surplus: int
    damage: str | None = None
    only_read: bool = False

    @property
    def sound(self) -> bool:
        """Whether nothing of it is damaged, and a search here brings it up to date."""
        return self.ok or not (self.damage or self.only_read)

    @property
    def ok(self) -> bool:
        """Whether it is fresh and sound."""
        return not (self.missing or self.surplus or self.damage)

    def says(self) -> str:
        """Return how it stands, and what mends it, in words."""
        if self.ok:
            return "fresh"
        if self.damage:
            stands = f"damaged ({self.damage})"
        else:
            parts = {"to be added": self.missing, "to be taken out": self.surplus}
            told = " and ".join(f"{count} photos {word}" for word, count in parts.items() if count)
            stands = f"behind the catalogue ({told})"
        if self.only_read:
            return (
                f"{stands}; its folder can only be read here, so whoever may write to it must run "
                "'loupebook rebuild'"
            )
        if self.damage:
            return f"{stands}; 'loupebook rebuild' mends it"
        return f"{stands}; the next search brings it up to date"


@dataclass(frozen=True)
class SetCheck:
    """The result of verifying a set: records and photos, examinations, then derived files."""

    records: VerifyReport
    derived: Mapping[str, ArmCheck]
    examinations: tuple[str, ...] = ()
    """What is wrong with documents or images of examinations, a line each."""

    @property
    def ok(self) -> bool:
        """Whether all of it is sound; an index may still be behind the catalogue."""
        sound = self.records.ok and not self.examinations
        return sound and all(arm.sound for arm in self.derived.values())

    @property
    def fresh(self) -> bool:
        """Whether every index is up to date with the catalogue."""
        return all(arm.ok for arm in self.derived.values())

    def lines(self) -> list[str]:
        """Return the report as lines of plain text, all damage included."""
        found = self.records
        lines = [
            f"{found.specimens} specimens, {found.photos} photos checked",
            f"log: {found.log_lines} lines, head {found.log_head}",
        ]
        lines += [f"{damage.kind}: {damage.path}: {damage.message}" for damage in found.damage]
        lines += self.examinations
        if found.leftovers:
            lines.append(f"{len(found.leftovers)} files that no record refers to (harmless)")
        lines += [f"{name} index: {arm.says()}" for name, arm in self.derived.items()]
        lines.append("sound" if self.ok else "NOT SOUND: see above")
        return lines

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form that ``verify --json`` prints."""
        return {
            "ok": self.ok,
            "fresh": self.fresh,
            "records": self.records.to_dict(),
            "examinations": list(self.examinations),
            "derived": {
                name: {
                    "ok": arm.ok,
                    "missing": arm.missing,
                    "surplus": arm.surplus,
                    "damage": arm.damage,
                }
                for name, arm in self.derived.items()
            },
        }


def rebuild_derived(
    catalogue: Catalogue,
    arms: Sequence[SearchArm],
    thumbnails: ThumbnailCache,
    read: ReadPhoto,
    progress: Progress,
) -> RebuildReport:
    """Delete derived state and make it anew; the catalogue and photos are not touched.

    What killed programs left half-written among both is removed.

    Calibrations and reports are made when they are next asked for. Prints held against each other
    stay; see :func:`loupebook.setreport.forget_reports`.
    """
    if not catalogue.read_only:
        catalogue.remove_temporary_files()
    derived = catalogue.folder / "derived"
    for folder in (derived, *(path for path in derived.rglob("*") if path.is_dir())):
        remove_leftovers(folder)
    thumbnails.clear()
    forget_calibrations(catalogue.folder)
    forget_reports(catalogue.folder)
    wanted = catalogue.indexable()
    reports = {}
    for arm in arms:
        arm.clear()
        reports[arm.name] = arm.sync(wanted, read, progress)
    return RebuildReport(reports)


def check_arm(arm: SearchArm, wanted: Mapping[int, str]) -> ArmCheck:
    """Check an arm's derived state; findings return, nothing is changed.

    Parameters
    ----------
    arm : SearchArm
        Not brought up to date meanwhile.
    wanted : mapping
        Photo id to SHA-256 of what it should hold.
    """
    try:
        pending: Pending = arm.pending(wanted)
    except LoupebookError as exc:
        return ArmCheck(missing=len(wanted), surplus=0, damage=str(exc))
    return ArmCheck(
        missing=len(pending.to_add),
        surplus=len(pending.to_withdraw),
        damage=pending.damage,
        only_read=pending.only_read,
    )
