"""What a photo check says, as plain values, and as JSON for the catalogue."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

CODE_WORDS = {
    "blank": "one even tone",
    "blur": "blurred",
    "colour-cast": "light of a strong colour",
    "compression": "strongly compressed",
    "glare": "bright spots without detail",
    "noise": "nothing but noise",
    "overexposed": "too bright",
    "screen-pattern": "a pattern as of a screen",
    "too-coarse": "the item too small in it",
    "too-small": "too few pixels",
    "underexposed": "too dark",
}
"""What is wrong with a photo, in a few words, by the code of a finding."""


class Severity(StrEnum):
    """How much a finding matters. Only a fail makes a photo unusable."""

    INFO = "info"
    WARN = "warn"
    FAIL = "fail"


@dataclass(frozen=True)
class Finding:
    """One thing that a check found.

    Parameters
    ----------
    code : str
        Short fixed name of the fault.
    severity : Severity
        See there.
    message : str
        What is wrong, in plain words.
    advice : str
        What to do about it.
    value : float, optional
        The measured value.
    unit : str, optional
        Its unit.
    """

    code: str
    severity: Severity
    message: str
    advice: str
    value: float | None = None
    unit: str | None = None


NO_PRINT = frozenset({"blur", "too-small", "too-coarse"})
"""Faults, however grave, with which fine print cannot be compared."""
NO_ITEM = frozenset({"blank", "noise"})
"""Faults with which no item can be seen at all."""


@dataclass(frozen=True)
class PhotoCheck:
    """All findings on one photo, the gravest first."""

    findings: tuple[Finding, ...] = ()

    @property
    def usable(self) -> bool:
        """False only if a finding is a fail."""
        return all(finding.severity is not Severity.FAIL for finding in self.findings)

    @property
    def shows_print(self) -> bool:
        """Whether the photo is good enough to compare fine print."""
        return self.usable and all(finding.code not in NO_PRINT for finding in self.findings)

    @property
    def no_item(self) -> str:
        """What the picture shows instead of an item, in a few words; empty where it may."""
        codes = [finding.code for finding in self.findings if finding.code in NO_ITEM]
        return CODE_WORDS[codes[0]] if codes else ""

    def to_json(self) -> str:
        """Return the check as one line of JSON."""
        findings = [asdict(finding) for finding in self.findings]
        return json.dumps({"usable": self.usable, "findings": findings}, ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> PhotoCheck:
        """Read back what :meth:`to_json` wrote; ``{}`` is a photo without findings.

        Raises
        ------
        ValueError
            If the text is not a photo check.
        """
        try:
            loaded = json.loads(text)
            return cls(tuple(_finding(item) for item in loaded.get("findings", [])))
        except (AttributeError, KeyError, TypeError) as exc:
            raise ValueError("not a photo check") from exc


def _finding(item: dict[str, Any]) -> Finding:
    value = item["value"]
    if value is not None and not math.isfinite(value):
        raise ValueError("not a photo check: a value is no number")
    return Finding(
        code=item["code"],
        severity=Severity(item["severity"]),
        message=item["message"],
        advice=item["advice"],
        value=value,
        unit=item["unit"],
    )
