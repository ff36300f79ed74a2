"""Embeddings and local descriptors to nearest photos, and nearest photos to specimens."""

from __future__ import annotations

from loupebook.search.arm import (
    ArmHit,
    Outline,
    Pending,
    Progress,
    QueryPhoto,
    ReadPhoto,
    SearchArm,
    SyncReport,
    no_progress,
)
from loupebook.search.arms import default_arms
from loupebook.search.embedding_arm import EmbeddingArm
from loupebook.search.filters import Filters
from loupebook.search.find import SearchResult, search_set
from loupebook.search.group import Match
from loupebook.search.items import FoundItem

__all__ = [
    "ArmHit",
    "EmbeddingArm",
    "Filters",
    "FoundItem",
    "Match",
    "Outline",
    "Pending",
    "Progress",
    "QueryPhoto",
    "ReadPhoto",
    "SearchArm",
    "SearchResult",
    "SyncReport",
    "default_arms",
    "no_progress",
    "search_set",
]
