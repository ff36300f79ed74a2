"""Exchange between libraries: what leaves a set, and what may come into one."""

from loupebook.records.exchange.bags import (
    DEFAULT_BAG_LIMITS,
    BagLimits,
    fingerprint,
    made_whole,
    received,
    write_tags,
)
from loupebook.records.exchange.cards import about_set, set_card
from loupebook.records.exchange.croissant import CROISSANT_FILE, describe
from loupebook.records.exchange.layout import (
    BagPhoto,
    Payload,
    photo_line,
    photo_path,
    read_payload,
    specimen_line,
)
from loupebook.records.exchange.table import TABLE_FILE, write_table
from loupebook.records.exchange.taking_in import (
    Fate,
    Offered,
    OfferedPhoto,
    Origin,
    Taken,
    take_in,
)

__all__ = [
    "CROISSANT_FILE",
    "DEFAULT_BAG_LIMITS",
    "TABLE_FILE",
    "BagLimits",
    "BagPhoto",
    "Fate",
    "Offered",
    "OfferedPhoto",
    "Origin",
    "Payload",
    "Taken",
    "about_set",
    "describe",
    "fingerprint",
    "made_whole",
    "photo_line",
    "photo_path",
    "read_payload",
    "received",
    "set_card",
    "specimen_line",
    "take_in",
    "write_table",
    "write_tags",
]
