"""What is known: typed records, the catalogue of a set, its photo store and its manifests."""

from loupebook.records.adding import AddOutcome
from loupebook.records.catalogue import Catalogue
from loupebook.records.manifest import Manifest, ManifestFault, ManifestRow, read_manifest
from loupebook.records.verify import Damage, DamageKind, VerifyReport

__all__ = [
    "AddOutcome",
    "Catalogue",
    "Damage",
    "DamageKind",
    "Manifest",
    "ManifestFault",
    "ManifestRow",
    "VerifyReport",
    "read_manifest",
]
