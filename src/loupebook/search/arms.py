"""Which arms a set is searched with."""

from __future__ import annotations

from pathlib import Path

from loupebook.encoders import Encoder
from loupebook.search.arm import SearchArm
from loupebook.search.embedding_arm import EmbeddingArm
from loupebook.search.local.arm import LocalArm


def default_arms(derived: Path, *, set_id: str, encoder: Encoder) -> list[SearchArm]:
    """Make the arms of one set.

    Parameters
    ----------
    derived : Path
        The set's folder of derived files.
    set_id : str
        The set's identifier, which every derived file carries.
    encoder : Encoder
        Makes the embeddings.
    """
    return [
        EmbeddingArm(derived / "embeddings", encoder, set_id=set_id),
        LocalArm(derived / "local", set_id=set_id),
    ]
