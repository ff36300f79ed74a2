"""What is known: typed records, the catalogue of a set, its photo store and its manifests."""

from loupebook.records.adding import AddOutcome
from loupebook.records.catalogue import Catalogue
from loupebook.records.examinations import ExaminationLine, ExaminationRecord, Examinations
from loupebook.records.manifest import Manifest, ManifestFault, ManifestRow, read_manifest
from loupebook.records.practice import Answer, Practice, RoundRecord
from loupebook.records.sheets import SheetRecord, Sheets
from loupebook.records.verify import Damage, DamageKind, VerifyReport

__all__ = [
    "AddOutcome",
    "Answer",
    "Catalogue",
    "Damage",
    "DamageKind",
    "ExaminationLine",
    "ExaminationRecord",
    "Examinations",
    "Manifest",
    "ManifestFault",
    "ManifestRow",
    "Practice",
    "RoundRecord",
    "SheetRecord",
    "Sheets",
    "VerifyReport",
    "read_manifest",
]
