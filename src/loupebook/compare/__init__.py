"""Two prints in one frame, and where they differ beyond what genuine ones do."""

from loupebook.compare.comparison import (
    DOES_NOT_SAY,
    Comparison,
    Figure,
    Verdict,
    compare_pair,
    compare_with,
)
from loupebook.compare.consensus import Consensus, Source, build_consensus
from loupebook.compare.judged_by import judged_by
from loupebook.compare.left_out import LeftOut, each_left_out
from loupebook.compare.maps import difference_map, pictures_of
from loupebook.compare.picture import Picture
from loupebook.compare.registration import Registration, register
from loupebook.compare.rerank import (
    Candidate,
    Compared,
    agrees_better,
    candidates_of,
    compare_each,
    rerank,
)
from loupebook.compare.store import ConsensusStore, Group, Held, Wanted

__all__ = [
    "DOES_NOT_SAY",
    "Candidate",
    "Compared",
    "Comparison",
    "Consensus",
    "ConsensusStore",
    "Figure",
    "Group",
    "Held",
    "LeftOut",
    "Picture",
    "Registration",
    "Source",
    "Verdict",
    "Wanted",
    "agrees_better",
    "build_consensus",
    "candidates_of",
    "compare_each",
    "compare_pair",
    "compare_with",
    "difference_map",
    "each_left_out",
    "judged_by",
    "pictures_of",
    "register",
    "rerank",
]
